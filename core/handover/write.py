"""Writes files whole or not at all."""
from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path

from ..errors import FileFault


def write_files(directory: str | Path, contents: Mapping[str, bytes]) -> tuple[Path, ...]:
    """Writes name -> bytes into a folder, made if need be; other files there stay.

    Everything is first written and synced beside its place, then moved there; what it replaces is kept until the last file
    has moved. Raises FileFault, with everything as it was, if the folder or the disk doesn't take it.
    """
    directory = Path(directory)
    made: list[Path] = []
    try:
        _make_folder(directory, made)
        with tempfile.TemporaryDirectory(prefix=".seatwright-", dir=directory, ignore_cleanup_errors=True) as staging:
            _stage(Path(staging), directory, contents)
            _move(Path(staging), directory, list(contents))
    except (OSError, ValueError) as error:
        _unmake(made)
        reason = getattr(error, "strerror", None) or str(error)
        raise FileFault(directory, f"the files cannot be written there ({reason})",
                        "nothing was written; give a folder that can be written to, with room on its disk") from None
    except BaseException:
        _unmake(made)
        raise
    return tuple(directory / name for name in contents)


def _stage(staging: Path, directory: Path, contents: Mapping[str, bytes]) -> None:
    """Writes the new files, and copies of those they replace, beside their places."""
    for folder in ("new", "old"):
        (staging / folder).mkdir()
    for name, content in contents.items():
        if (directory / name).is_dir():
            raise IsADirectoryError(0, f"{name} is a folder there")
        if os.path.lexists(directory / name):
            shutil.copy2(directory / name, staging / "old" / name, follow_symlinks=False)
        with open(staging / "new" / name, "xb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())


def _move(staging: Path, directory: Path, names: Sequence[str]) -> None:
    """Moves the new files to their places; if one can't be moved, or the user stops it, puts the old ones back."""
    try:
        for name in names:
            os.replace(staging / "new" / name, directory / name)
    except BaseException:
        for name in names:
            if (staging / "new" / name).exists():
                continue
            if os.path.lexists(staging / "old" / name):
                os.replace(staging / "old" / name, directory / name)
            else:
                (directory / name).unlink()
        raise


def _make_folder(directory: Path, made: list[Path]) -> None:
    """Makes the folder and those above it; adds each one that had to be made to `made`, topmost first."""
    for path in reversed([path for path in (directory, *directory.parents) if not path.exists()]):
        path.mkdir(exist_ok=True)
        made.append(path)
    if not directory.is_dir():
        raise NotADirectoryError(0, "this is a file, not a folder")


def _unmake(made: Sequence[Path]) -> None:
    """Removes the folders that were made, but for those that something else has been put into since."""
    for path in reversed(made):
        try:
            path.rmdir()
        except OSError:
            return
