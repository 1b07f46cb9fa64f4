"""Where results go."""

import tempfile
from pathlib import Path

from ventsim.errors import InputError


def output_files(folder: Path, *, stem: str, source: Path, keep_source: bool = True) -> tuple[Path, Path]:
    """Names of waveforms and picture, in a folder that has been tried; the file that was read is kept."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        _try_to_write(folder)
        if (
            keep_source
            and (folder / f"{stem}.nc").exists()
            and source.exists()
            and (folder / f"{stem}.nc").samefile(source)
        ):
            stem = f"{stem}-again"
        files = folder / f"{stem}.nc", folder / f"{stem}.png"
        for file in files:
            if file.exists():
                file.open("r+b").close()
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        where = getattr(error, "filename", None) or folder
        raise InputError(
            f"cannot write results into '{folder}': {reason}: '{where}'.\n"
            "  Give a folder that can be written to: --out DIR."
        ) from None
    return files


def _try_to_write(folder: Path) -> None:
    """Raise OSError if no file can be made in a folder, naming the folder and not the file that was tried."""
    try:
        with tempfile.TemporaryFile(dir=folder):
            pass
    except OSError as error:
        raise OSError(error.errno, error.strerror, str(folder)) from None
