"""The local web page: the whole job in a browser, on this computer only."""
