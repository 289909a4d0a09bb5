"""Writes files whole or not at all."""
from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Mapping
from pathlib import Path

from ..errors import FileFault


def write_files(directory: str | Path, contents: Mapping[str, bytes]) -> tuple[Path, ...]:
    """Writes name -> bytes into a folder, made if need be; other files there stay.

    Everything is first written and synced beside its place, then moved there. Raises FileFault, with nothing changed, if
    the folder or the disk doesn't take it.
    """
    directory = Path(directory)
    made: Path | None = None
    staging: Path | None = None
    try:
        made = _make_folder(directory)
        staging = Path(tempfile.mkdtemp(prefix=".seatwright-", dir=directory))
        for name, content in contents.items():
            if (directory / name).is_dir():
                raise IsADirectoryError(0, f"{name} is a folder there")
            with open(staging / name, "xb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
        for name in contents:
            os.replace(staging / name, directory / name)
    except (OSError, ValueError) as error:
        if staging is not None:
            shutil.rmtree(staging, ignore_errors=True)
            staging = None
        if made is not None:
            _unmake(made, directory)
        reason = getattr(error, "strerror", None) or str(error)
        raise FileFault(directory, f"the files cannot be written there ({reason})",
                        "nothing was written; give a folder that can be written to, with room on its disk") from None
    finally:
        if staging is not None:
            shutil.rmtree(staging, ignore_errors=True)
    return tuple(directory / name for name in contents)


def _make_folder(directory: Path) -> Path | None:
    """Makes the folder; returns the topmost folder that had to be made, None if it was there."""
    missing = [path for path in (directory, *directory.parents) if not path.exists()]
    directory.mkdir(parents=True, exist_ok=True)
    return missing[-1] if missing else None


def _unmake(top: Path, directory: Path) -> None:
    """Removes the empty folders that were made."""
    for path in (directory, *directory.parents):
        try:
            path.rmdir()
        except OSError:
            return
        if path == top:
            return
