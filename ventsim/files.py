"""Files as wholes: written in one step or not at all, by one writer at a time; read with a word on what is wrong.

Every file that ventsim writes goes through :func:`write_file`. The content is ready in memory before the file is
touched: HDF5 itself can crash when it meets a full disk, and memory costs no more than the packed file, which is
less than the result that is held anyway.
"""

import errno
import io
import math
import os
import platform
import re
import secrets
import stat
import sys
import time
import zlib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from contextvars import ContextVar
from pathlib import Path
from typing import Any

import xarray as xr

from ventsim.errors import FileError, ScenarioError, SchemaError, nearest_names

if sys.platform == "win32":
    import msvcrt
else:
    import fcntl

AT_START, AT_END = 3.0, 60.0
"""How long to wait for another writer: before a run begins; and with a content that is ready to be written. [s]"""

_NO_ROOM = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}
_NOT_SUPPORTED = {errno.ENOSYS, errno.EOPNOTSUPP, errno.ENOLCK, errno.EINVAL}  # by some folders of a network
_BUSY = {errno.EAGAIN, errno.EACCES, errno.EDEADLK}
_POLL = 0.05  # between two looks at a lock [s]
_HOST = f"{zlib.crc32(platform.node().encode()):08x}"
_ABANDONED = 3600.0  # age of a draft that another computer has left [s]

# Files that are reserved where this is asked, with their folders as they really are.
_RESERVED: ContextVar[frozenset[str]] = ContextVar("reserved", default=frozenset())


# --- writing --------------------------------------------------------------------------------------------------


def write_file(path: str | Path, content: str | bytes | memoryview) -> None:
    """Write a file in one step: what is read under its name is the old content or the new one, each as a whole.

    The content goes into a draft in the same folder, ``.night.nc.<computer>-<random>.part`` for ``night.nc``,
    reaches the disk, and takes the name. Drafts that killed processes have left are removed by the next writer of
    the file. Two processes may write one file: the last one wins. A file that is replaced keeps its permissions; a
    new one has the usual ones. A symbolic link is replaced by the file, and what it led to stays as it is.

    Parameters
    ----------
    path : str or Path
        The file, in a folder that exists.
    content : str, bytes or memoryview
        All of it; text is written in UTF-8, with the ends of lines that it has.

    Raises
    ------
    FileError
        If it cannot be written; what was there before is whole.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     write_file(f"{folder}/a.toml", "rate = 15")
    ...     os.listdir(folder)
    ['a.toml']
    """
    path = Path(path)
    data = content.encode("utf-8") if isinstance(content, str) else content
    with reserved(path, patience=AT_END), _explained(path):
        draft = path.with_name(f".{path.name}.{_HOST}-{secrets.token_hex(4)}.part")
        try:
            with open(os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL | _BINARY, 0o666), "wb") as file:
                file.write(data)
                file.flush()
                with _if_supported():
                    os.fsync(file.fileno())
            if path.is_file() and not path.is_symlink():
                with suppress(OSError):  # some folders know no permissions
                    draft.chmod(stat.S_IMODE(path.stat().st_mode))
            os.replace(draft, path)
        finally:
            # Gone already after a success; after an error, or Ctrl-C, no part of a file is left.
            with suppress(OSError):
                draft.unlink()
        _keep_name(path.parent)


def netcdf(groups: Mapping[str, xr.Dataset]) -> memoryview:
    """The content of a NetCDF file, for :func:`write_file`.

    Parameters
    ----------
    groups : mapping of str to xarray.Dataset
        What it holds by group; that of the name ``""`` is read by ``xarray.open_dataset`` alone.

    Returns
    -------
    memoryview
        All bytes of the file, packed.

    Raises
    ------
    FileError
        If the Datasets hold what such a file cannot, or memory is not enough.
    """
    import h5netcdf
    from xarray.backends import H5NetCDFStore

    memory = io.BytesIO()
    try:
        with h5netcdf.File(memory, "w") as file:
            for name, dataset in groups.items():
                # Packed data carry a checksum, by which a reader notices damage.
                packed = {str(variable): {"zlib": True, "complevel": 1} for variable in dataset.variables}
                dataset.dump_to_store(H5NetCDFStore(file, group=name or None), encoding=packed)
    except (MemoryError, TypeError, ValueError) as error:
        raise FileError(
            f"the result cannot be written as NetCDF: {str(error) or 'there is not enough memory'}.\n"
            "  Give a result as ventsim has made it, or a smaller one."
        ) from None
    return memory.getbuffer()


@contextmanager
def reserved(path: str | Path | None, *, patience: float = AT_START) -> Iterator[None]:
    """Context in which one writer alone has a file; it may go on to reserve and write it.

    A file beside it, ``.night.nc.lock`` for ``night.nc``, is locked by the operating system, which ends the lock
    if the process is killed. Folders of a network that know no locks are written without.

    Parameters
    ----------
    path : str, Path or None
        The file, which need not exist; None: nothing is reserved.
    patience : float
        How long to wait for another writer. [s]

    Raises
    ------
    FileError
        If another writer has it, or it cannot be written at all.
    """
    if path is None:
        yield
        return
    path = Path(path)
    with _explained(path):
        key = os.path.join(os.path.realpath(path.parent), path.name)
    if key in _RESERVED.get():
        yield
        return
    with _explained(path):
        _refuse(path)
        lock = path.with_name(f".{path.name}.lock")
        until = time.monotonic() + patience
        while (held := _locked(lock)) is None:
            if time.monotonic() > until:
                raise FileError(
                    f"'{path}' is being written by another run.\n"
                    "  Wait until that has ended, or give another name or folder."
                )
            time.sleep(_POLL)
    token = _RESERVED.set(_RESERVED.get() | {key})
    try:
        _remove_drafts(path, alone=held >= 0)
        yield
    finally:
        _RESERVED.reset(token)
        _unlock(lock, held)


_BINARY = getattr(os, "O_BINARY", 0)  # of Windows, which changes ends of lines otherwise
_WITHOUT_LOCK = -1


def _refuse(path: Path) -> None:
    """Raise OSError if something is there that is not to be replaced: a folder, a device, a protected file."""
    if path.is_dir():
        raise IsADirectoryError(errno.EISDIR, "it is a folder")
    if path.absolute().parent == Path("/dev") or (path.exists() and not path.is_file()):
        raise OSError(errno.EINVAL, "it is a device, not a file")
    if not path.parent.is_dir():
        raise FileNotFoundError(errno.ENOENT, f"there is no folder '{path.parent}'")
    if path.exists() and not path.is_symlink() and not os.access(path, os.W_OK):
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))


def _locked(lock: Path) -> int | None:
    """Descriptor of a lock file that is now ours, or `_WITHOUT_LOCK`; None: another writer has it."""
    descriptor = os.open(lock, os.O_RDWR | os.O_CREAT, 0o666)
    try:
        if sys.platform == "win32":
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        else:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        # The writer before may have removed the file meanwhile, which then locks nobody out.
        if os.path.samestat(os.stat(lock), os.fstat(descriptor)):
            return descriptor
    except FileNotFoundError:
        pass
    except OSError as error:
        if error.errno in _NOT_SUPPORTED:
            os.close(descriptor)
            return _WITHOUT_LOCK
        if error.errno not in _BUSY:
            os.close(descriptor)
            raise
    os.close(descriptor)
    return None


def _unlock(lock: Path, descriptor: int) -> None:
    """Remove a lock file before letting it go, so that nobody locks a removed one; on Windows it must be after."""
    if sys.platform == "win32" and descriptor >= 0:
        os.close(descriptor)
    with suppress(OSError):
        lock.unlink()
    if sys.platform != "win32" and descriptor >= 0:
        os.close(descriptor)


def _remove_drafts(path: Path, *, alone: bool) -> None:
    """Remove drafts that killed writers have left: of this computer if it has the lock, old ones of any."""
    ours = re.compile(rf"\.{re.escape(path.name)}\.([0-9a-f]{{8}})-[0-9a-f]{{8}}\.part")
    with suppress(OSError):
        for name in os.listdir(path.parent):
            if found := ours.fullmatch(name):
                draft = path.with_name(name)
                is_left = alone and found[1] == _HOST
                if is_left or time.time() - draft.lstat().st_mtime > _ABANDONED:
                    draft.unlink()


def _keep_name(folder: Path) -> None:
    """Have the new name of a file reach the disk, where the system can be asked to."""
    with suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


@contextmanager
def _if_supported() -> Iterator[None]:
    try:
        yield
    except OSError as error:
        if error.errno not in _NOT_SUPPORTED:
            raise


@contextmanager
def _explained(path: Path) -> Iterator[None]:
    """Context in which what the system refuses becomes a message on the file."""
    try:
        yield
    except (OSError, ValueError) as error:
        if isinstance(error, FileError):
            raise
        remedy = "Give a file in a folder that exists and can be written to."
        if getattr(error, "errno", None) in _NO_ROOM:
            remedy = "Make room, or write into another folder; what was there under that name is whole."
        raise FileError(f"cannot write '{path}': {_reason(error)}.\n  {remedy}") from None


# --- reading --------------------------------------------------------------------------------------------------

SCENARIO_SUFFIXES = (".toml", ".nc")
"""Endings of the names of scenarios and of results, which hold a scenario."""

_MOST_FILES = 5  # that a message names
_MOST_TEXT = 10_000_000  # of a scenario or study, which is some kilobytes [bytes]
_MOST_PACKED = 1032  # times that packing by zlib can shrink data
_SMALL = 2**20  # what needs no suspicion [bytes]
_SIGNATURE = b"\x89HDF\r\n\x1a\n"


def read_text(path: Path) -> str:
    """Text of a scenario or study file.

    Parameters
    ----------
    path : Path
        The file, or a pipe.

    Returns
    -------
    str
        Its text.

    Raises
    ------
    ScenarioError
        If it cannot be read as text.
    """
    try:
        with path.open("rb") as file:
            data = file.read(_MOST_TEXT + 1)
        if len(data) > _MOST_TEXT:
            raise ScenarioError(
                f"'{path}' has more than {_MOST_TEXT / 1e6:.0f} MB; a scenario has a few kB.\n"
                "  Give the file of a scenario or study."
            )
        text = data.decode("utf-8-sig")  # some editors begin a file with a byte order mark
        return text.replace("\r\n", "\n").replace("\r", "\n")
    except FileNotFoundError:
        raise ScenarioError(f"there is no file '{path}'.\n  {_nearest(path)}") from None
    except IsADirectoryError:
        raise ScenarioError(f"'{path}' is a folder, not a file.\n  {_nearest(path / '*.toml')}") from None
    except UnicodeDecodeError:
        raise ScenarioError(
            f"'{path}' is not a text file in UTF-8.\n"
            "  A scenario is TOML text; that of a result is taken from its Dataset by Scenario.from_dataset."
        ) from None
    except (OSError, ValueError) as error:
        if isinstance(error, ScenarioError):
            raise
        raise ScenarioError(f"cannot read '{path}': {_reason(error)}.\n  Give a file that can be read.") from None


def is_result(path: Path) -> bool:
    """Whether a file is a NetCDF file by its first bytes, or is called one.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    bool
        False too if it cannot be read; whoever reads it as text then says why.
    """
    try:
        if not path.is_file():  # a pipe can be read once only
            return False
        with path.open("rb") as file:
            return path.suffix == ".nc" or file.read(len(_SIGNATURE)) == _SIGNATURE
    except (OSError, ValueError):
        return False


def read_attributes(path: str | Path) -> dict[str, Any]:
    """Attributes of a NetCDF file, among them the scenario of a result, even if its data are damaged.

    Parameters
    ----------
    path : str or Path
        The file.

    Returns
    -------
    dict of str to object
        By name.

    Raises
    ------
    SchemaError
        If it cannot be read.
    """
    with _opened(Path(path)) as file:
        return dict(file.attrs)


def read_datasets(path: str | Path) -> dict[str, xr.Dataset]:
    """All groups of a NetCDF file in memory, as :func:`netcdf` has packed them.

    Sizes that the file could not hold, or memory, are refused before memory is asked for.

    Parameters
    ----------
    path : str or Path
        The file.

    Returns
    -------
    dict of str to xarray.Dataset
        By group; the outermost has the name ``""``.

    Raises
    ------
    SchemaError
        If it cannot be read as a whole; the message says what is damaged and how to read the rest.
    """
    path = Path(path)
    with _opened(path) as raw:
        _refuse_sizes(raw, path)
        return _all_groups(path)


def _all_groups(path: Path) -> dict[str, xr.Dataset]:
    import h5netcdf

    with h5netcdf.File(path, "r", decode_vlen_strings=True) as file:
        found: dict[str, xr.Dataset] = {}
        damaged: dict[str, list[str]] = {}
        for group in ("", *file.groups):
            try:
                found[group] = _group(file, group).load()
            except Exception:  # whatever xarray or HDF5 make of a damaged file
                damaged[group] = _unreadable(file, group)
        if damaged:
            paths = [f"{group}/{one}".strip("/") for group, bad in damaged.items() for one in bad]
            where = ", ".join(repr(one) if one else "its coordinates" for one in paths)
            raise SchemaError(f"cannot read '{path}': it is damaged in {where}.\n  {_rest(path, found, damaged)}")
    return found


def _group(file: Any, group: str, without: list[str] | None = None) -> xr.Dataset:
    from xarray.backends import H5NetCDFStore

    return xr.open_dataset(H5NetCDFStore(file, group=group or None), drop_variables=without)


def _unreadable(file: Any, group: str) -> list[str]:
    """Names of the variables that cannot be read; "" if it is none of them by itself."""
    bad = []
    for name, variable in (file.groups[group] if group else file).variables.items():
        try:
            variable[...]
        except Exception:  # as above
            bad.append(str(name))
    try:
        _group(file, group, without=bad).load()
    except Exception:  # as above
        return [""]
    return bad


def _rest(path: Path, found: Mapping[str, xr.Dataset], damaged: Mapping[str, list[str]]) -> str:
    """How to read what is whole of a damaged file."""
    ways = []
    for group in sorted({*found, *(group for group, bad in damaged.items() if "" not in bad)}):
        within = f", group={group!r}" if group else ""
        without = f", drop_variables={damaged[group]}" if group in damaged else ""
        ways.append(f"xarray.load_dataset({str(path)!r}, engine='h5netcdf'{within}{without})")
    if not ways:
        return "Nothing else is in it. Take a copy from before, or run the scenario again."
    return "\n    ".join(["What is whole is read by", *ways])


@contextmanager
def _opened(path: Path) -> Iterator[Any]:
    """A NetCDF file, open as one of HDF5; whatever is wrong with it is a SchemaError."""
    try:
        if not path.exists():
            raise SchemaError(f"there is no file '{path}'.\n  {_nearest(path)}")
        if path.is_dir():
            raise SchemaError(f"'{path}' is a folder, not a file.\n  {_nearest(path / '*.nc')}")
        if not path.is_file():
            raise SchemaError(f"'{path}' is a device, not a file.\n  {_GIVE}")
        with path.open("rb") as raw:
            first = raw.read(len(_SIGNATURE))
        if first != _SIGNATURE:
            what = "is empty" if not first else "is not a NetCDF file of the kind that ventsim writes"
            raise SchemaError(f"'{path}' {what}.\n  {_GIVE}")
        import h5py

        file = h5py.File(path, "r")
    except SchemaError:
        raise
    except (OSError, ValueError) as error:
        if isinstance(error, OSError) and error.errno is not None:
            raise SchemaError(f"cannot read '{path}': {_reason(error)}.\n  {_GIVE}") from None
        what = "cut off" if "truncated" in str(error) else "damaged"
        raise SchemaError(
            f"cannot read '{path}': it is {what}, and nothing of it can be saved.\n  {_AGAIN}"
        ) from None
    except Exception:  # whatever HDF5 and its wrappers make of a damaged file
        raise SchemaError(f"cannot read '{path}': it is damaged at its beginning.\n  {_AGAIN}") from None
    try:
        with file:
            dict(file.attrs)  # h5netcdf would complain a second time, when it is thrown away
            yield file
    except (SchemaError, ScenarioError):
        raise
    except Exception as error:  # as above
        reason = " ".join(str(error).split()) or type(error).__name__
        raise SchemaError(f"cannot read '{path}': it is damaged ({reason}).\n  {_AGAIN}") from None


_GIVE = "Give a file that ventsim has written."
_AGAIN = "Take a copy from before, or run the scenario again."


def _refuse_sizes(file: Any, path: Path) -> None:
    """Refuse a file that declares more than its bytes can hold, or more than there is memory."""
    sizes = [0]

    def add(name: str, item: Any) -> None:
        if shape := getattr(item, "shape", None):
            sizes.append(max(math.prod(shape), math.prod(item.chunks or (0,))) * item.dtype.itemsize)

    file.visititems(add)
    declared, size = sum(sizes), path.stat().st_size
    if declared > max(_MOST_PACKED * size, _SMALL):
        raise SchemaError(
            f"cannot read '{path}': it declares {declared / 1e9:.3g} GB of data, more than its {size} bytes can "
            f"hold.\n  {_AGAIN}"
        )
    if declared > _memory():
        raise SchemaError(
            f"cannot read '{path}': it needs {declared / 1e9:.3g} GB of memory, and there are "
            f"{_memory() / 1e9:.3g} GB.\n  Read variables one by one: xarray.open_dataset({str(path)!r}, "
            "engine='h5netcdf')."
        )


def _memory() -> float:
    """Memory of the computer, if it says how much it has [bytes]."""
    try:
        return float(os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES"))
    except (AttributeError, OSError, ValueError):
        return math.inf


def scenario_files(folder: Path) -> tuple[str, ...]:
    """Names of the scenarios and results in a folder.

    Parameters
    ----------
    folder : Path
        The folder.

    Returns
    -------
    tuple of str
        In alphabetical order; empty if the folder cannot be read.
    """
    try:
        return tuple(sorted(item.name for item in folder.iterdir() if item.suffix in SCENARIO_SUFFIXES))
    except (OSError, ValueError):
        return ()


def _nearest(path: Path) -> str:
    """A hint to the files near a wrong path."""
    found = scenario_files(path.parent)
    if not found:
        return f"Neither scenario nor result is in '{path.parent}'."
    # Without their endings, in which all are alike.
    stems = nearest_names(path.stem, dict.fromkeys(Path(name).stem for name in found))
    near = [name for stem in stems for name in found if Path(name).stem == stem]
    if near:
        return f"Did you mean {' or '.join(repr(str(path.parent / name)) for name in near)}?"
    some = ", ".join(repr(str(path.parent / name)) for name in found[:_MOST_FILES])
    return f"There {'is' if len(found) == 1 else 'are'} {some}{' and more' if len(found) > _MOST_FILES else ''}."


def _reason(error: Exception) -> str:
    return (error.strerror if isinstance(error, OSError) else None) or str(error)
