"""The invented sample data that travels with the package."""

from __future__ import annotations

import shutil
from pathlib import Path

from cellmatch.errors import FolderNotWritable, Problem

_PACKAGE = Path(__file__).resolve().parents[1]


def sample_folder() -> Path:
    """Return the folder of the sample data: in the installed package, or at the top of a checkout."""
    carried = _PACKAGE / "sample_data"
    return carried if carried.is_dir() else _PACKAGE.parent / "sample_data"


def copy_samples(folder: str | Path) -> tuple[str, ...]:
    """Copy every sample file into a folder; files that are already there are not touched.

    Parameters
    ----------
    folder : path
        Made if it is not there.

    Returns
    -------
    tuple of str
        Names of the files.

    Raises
    ------
    FolderNotWritable
        The folder can't be written, or holds a file of the same name with other content.
    """
    target = Path(folder)
    sources = sorted(p for p in sample_folder().iterdir() if p.suffix in {".csv", ".md", ".toml"})
    other = [s.name for s in sources if (t := target / s.name).exists() and t.read_bytes() != s.read_bytes()]
    if other:
        raise FolderNotWritable(
            Problem(str(target), f"holds other files of these names: {', '.join(other)}; name an empty folder")
        )
    try:
        target.mkdir(parents=True, exist_ok=True)
        for source in sources:
            shutil.copyfile(source, target / source.name)
    except OSError as error:
        raise FolderNotWritable(
            Problem(str(target), f"can't be written ({error.strerror}); name another folder")
        ) from error
    return tuple(s.name for s in sources)
