"""Where the process starts: ``python -m cellmatch`` and the command itself.

Nothing is imported before Ctrl-C is answered in one line: an interrupt inside the import of a large library
would end in a traceback of that library.
"""

from __future__ import annotations

import os
import signal
import sys
from types import FrameType

EXIT_INTERRUPTED = 130


def main() -> None:
    """Run the command line."""
    signal.signal(signal.SIGINT, quit_at_once)
    from cellmatch.cli import main as run

    run()


def quit_at_once(number: int, frame: FrameType | None) -> None:
    """End the process while nothing has been written that would have to be cleared away."""
    sys.stderr.write("cellmatch: interrupted, nothing was kept\n")
    sys.stderr.flush()
    os._exit(EXIT_INTERRUPTED)


if __name__ == "__main__":
    main()
