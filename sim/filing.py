"""Folders of results: written whole or not at all, and never over something else."""

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sim.errors import OutputError


@contextmanager
def filed(folder: Path, *, overwrite: bool) -> Iterator[Path]:
    """Give a new folder to fill, and put it in its place once it is full.

    Parameters
    ----------
    folder : Path
        Where the results shall stand.
    overwrite : bool
        Whether an existing result folder may be replaced.

    Yields
    ------
    Path
        An empty folder beside it. If filling it fails, nothing is left behind.

    Raises
    ------
    OutputError
        If the folder exists and `overwrite` is false, or it cannot be written.
    """
    check_output(folder, overwrite=overwrite)
    new = _beside(folder)
    try:
        yield new
        new.chmod(0o755)
        if folder.exists():
            old = _beside(folder)
            os.replace(folder, old)
            os.replace(new, folder)
            shutil.rmtree(old)
        else:
            os.replace(new, folder)
    except BaseException:
        shutil.rmtree(new, ignore_errors=True)
        raise


def _beside(folder: Path) -> Path:
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        return Path(tempfile.mkdtemp(prefix=f".{folder.name}-", dir=folder.parent))
    except OSError as exc:
        raise OutputError(f"{folder}: cannot be written: {exc.strerror}") from exc


def check_output(folder: Path, *, overwrite: bool) -> None:
    """Refuse an output folder that exists, before any work is done for it.

    Raises
    ------
    OutputError
        If it exists and may not be replaced, or is not a folder.
    """
    if folder.exists() and not folder.is_dir():
        raise OutputError(f"{folder}: exists and is not a folder")
    if folder.exists() and not overwrite:
        raise OutputError(f"{folder}: exists; it was kept. Give --overwrite to replace it")
    if folder.exists() and any(folder.iterdir()) and not any(folder.glob("*.json")):
        raise OutputError(f"{folder}: holds something else than results; it was kept")
