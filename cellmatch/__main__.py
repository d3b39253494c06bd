"""``python -m cellmatch``."""

from cellmatch.cli import main

main()
