"""Print one of the README's two set-up commands: `main` or `tests`."""

from __future__ import annotations

import re
import sys
from pathlib import Path

README = Path(__file__).resolve().parents[1] / "README.md"


def readme_commands(readme: Path = README) -> dict[str, str]:
    """Return the first two one-line shell blocks of the README."""
    blocks = re.findall(r"```sh\n(.+)\n```", readme.read_text(encoding="utf-8"))
    return {"main": blocks[0], "tests": blocks[1]}


if __name__ == "__main__":
    print(readme_commands()[sys.argv[1]])
