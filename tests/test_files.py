"""Files as wholes: what a writer leaves that is stopped, killed, or not alone; what readers say of bad files."""

import os
import random
import resource
import stat
import subprocess
import sys
import threading
import time
from pathlib import Path

import h5netcdf
import numpy as np
import pytest
import xarray as xr

import ventsim as vs
from ventsim import files
from ventsim.errors import FileError, InputError, ScenarioError, SchemaError
from ventsim.files import is_result, netcdf, read_attributes, read_datasets, read_text, reserved, write_file


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


# --- writing --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("umask, mode", [(0o022, 0o644), (0o077, 0o600)])
def test_permissions_are_the_usual_ones_or_those_of_before(tmp_path, umask, mode):
    """As of any new file: those of all (0o666) less what the umask takes."""
    before = os.umask(umask)
    try:
        write_file(tmp_path / "a.toml", "rate = 15  # 1/min, ±1\n")
        assert stat.S_IMODE((tmp_path / "a.toml").stat().st_mode) == mode
        (tmp_path / "a.toml").chmod(0o660)
        write_file(str(tmp_path / "a.toml"), b"new")
        assert stat.S_IMODE((tmp_path / "a.toml").stat().st_mode) == 0o660
    finally:
        os.umask(before)
    assert (tmp_path / "a.toml").read_bytes() == b"new"
    assert names(tmp_path) == ["a.toml"]


def test_text_is_written_as_it_is_in_utf8(tmp_path):
    write_file(tmp_path / "a.toml", "cmH2O·s/L\n")
    assert (tmp_path / "a.toml").read_bytes() == b"cmH2O\xc2\xb7s/L\n"


@pytest.mark.parametrize("there", [True, False])
def test_a_link_is_replaced_and_not_followed(tmp_path, there):
    target, link = tmp_path / "target", tmp_path / "link"
    if there:
        target.write_text("kept")
    link.symlink_to(target)
    write_file(link, "new")
    assert not link.is_symlink() and link.read_text() == "new"
    assert target.read_text() == "kept" if there else not target.exists()


@pytest.mark.parametrize(
    "name, message",
    [
        ("folder", "it is a folder"),
        ("to folder", "it is a folder"),
        ("pipe", "it is a device, not a file"),
        ("/dev/stdout", "it is a device, not a file"),
        ("none/a.nc", "there is no folder '.*none'"),
        ("file/a.nc", "there is no folder '.*file'"),
        ("x" * 300, "File name too long"),
        ("a\0b", "embedded null byte"),
    ],
)
def test_what_cannot_be_replaced_is_refused(tmp_path, name, message):
    (tmp_path / "folder").mkdir()
    (tmp_path / "to folder").symlink_to("folder")
    (tmp_path / "file").write_text("")
    os.mkfifo(tmp_path / "pipe")
    before = names(tmp_path)
    with pytest.raises(
        FileError, match=rf"^cannot write '.*': {message}\.\n  Give a file in a folder that exists"
    ):
        write_file(tmp_path / name, "new")
    assert names(tmp_path) == before


def test_a_protected_file_is_refused(tmp_path, monkeypatch):
    """The system's answer is put in its place, because an administrator may write anywhere."""
    (tmp_path / "a.nc").write_text("kept")
    monkeypatch.setattr("ventsim.files.os.access", lambda path, mode: False)
    with pytest.raises(FileError, match=r"cannot write '.*a\.nc': Permission denied\.\n  Give"):
        write_file(tmp_path / "a.nc", "new")
    assert (tmp_path / "a.nc").read_text() == "kept"


@pytest.mark.parametrize(
    "error", [KeyboardInterrupt("here"), MemoryError("here"), OSError(28, "No space left on device")]
)
def test_a_write_that_is_broken_off_leaves_what_was_there(tmp_path, monkeypatch, error):
    (tmp_path / "a.nc").write_text("kept")

    def refuse(descriptor):
        raise error

    monkeypatch.setattr("ventsim.files.os.fsync", refuse)
    kind, message = (FileError, "No space left") if isinstance(error, OSError) else (type(error), "here")
    with pytest.raises(kind, match=message):
        write_file(tmp_path / "a.nc", "new")
    assert (tmp_path / "a.nc").read_text() == "kept"
    assert names(tmp_path) == ["a.nc"]


def test_a_limit_on_the_size_of_files(tmp_path):
    """The system refuses whatever passes 2,000 bytes."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    write_file(tmp_path / "a.nc", bytes(1000))
    resource.setrlimit(resource.RLIMIT_FSIZE, (2000, hard))
    try:
        with pytest.raises(FileError, match=r"cannot write '.*a\.nc': File too large\.\n  Make room"):
            write_file(tmp_path / "a.nc", bytes(10_000))
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert (tmp_path / "a.nc").stat().st_size == 1000
    assert names(tmp_path) == ["a.nc"]


def test_a_small_disk(tmp_path):
    """One of 64 kB that is half full."""
    if subprocess.run(["mount", "-t", "tmpfs", "-o", "size=64k", "none", str(tmp_path)], check=False).returncode:
        pytest.skip("a disk cannot be mounted here")
    try:
        write_file(tmp_path / "a.nc", bytes(30_000))
        with pytest.raises(
            FileError, match=r"No space left on device\.\n  Make room, or .*; what was there under"
        ):
            write_file(tmp_path / "a.nc", random.Random(0).randbytes(100_000))
        assert (tmp_path / "a.nc").read_bytes() == bytes(30_000)
        assert names(tmp_path) == ["a.nc"]
    finally:
        subprocess.run(["umount", str(tmp_path)], check=True)


def test_drafts_of_killed_writers_are_removed_and_no_others(tmp_path):
    """Of this computer at once; of another one, which may be writing, when they are old."""
    here = files._HOST
    kept = [f".a.nc.{here}-12345678.part.txt", f".b.nc.{here}-12345678.part", ".a.nc.00000000-1234567a.part",
            f".a.nc.{here}-12345678.{here}-12345678.part", "a.nc"]  # fmt: skip
    gone = [f".a.nc.{here}-12345678.part", ".a.nc.00000000-1234567b.part", ".a.nc.lock"]
    for name in (*kept, *gone):
        (tmp_path / name).write_text("")
    os.utime(tmp_path / gone[1], (time.time() - 4000.0,) * 2)
    write_file(tmp_path / "a.nc", "new")
    assert names(tmp_path) == sorted(kept)


def test_one_writer_at_a_time(tmp_path):
    """A run that has a file may write it; another one, here in a thread, is refused."""
    found: list[BaseException | None] = []

    def other(patience: float) -> None:
        try:
            with reserved(tmp_path / "a.nc", patience=patience):
                found.append(None)
        except FileError as error:
            found.append(error)

    def in_a_thread(patience: float = 0.0) -> threading.Thread:
        thread = threading.Thread(target=other, args=(patience,))
        thread.start()
        return thread

    with reserved(tmp_path / "a.nc"), reserved(str(tmp_path / "a.nc")):
        write_file(tmp_path / "a.nc", "new")
        in_a_thread().join()
        write_file(tmp_path / "b.nc", "another file")
        waiting = in_a_thread(patience=30.0)
        time.sleep(0.1)
        assert waiting.is_alive()
    waiting.join()
    in_a_thread().join()
    assert str(found[0]) == (
        f"'{tmp_path / 'a.nc'}' is being written by another run.\n"
        "  Wait until that has ended, or give another name or folder."
    )
    assert found[1:] == [None, None]
    assert names(tmp_path) == ["a.nc", "b.nc"]


def test_two_writers_of_one_file(tmp_path):
    """Whoever reads meanwhile finds the whole of one or the other."""
    contents = [bytes([k]) * 200_000 for k in (1, 2)]

    def write(content: bytes) -> None:
        for _ in range(30):
            write_file(tmp_path / "a.nc", content)

    write_file(tmp_path / "a.nc", contents[0])
    writers = [threading.Thread(target=write, args=(content,)) for content in contents]
    for writer in writers:
        writer.start()
    seen = set()
    while any(writer.is_alive() for writer in writers):
        seen.add((tmp_path / "a.nc").read_bytes())
    assert seen <= set(contents)
    assert names(tmp_path) == ["a.nc"]


def test_folders_that_know_no_locks(tmp_path, monkeypatch):
    """As some of a network do; drafts, of which nobody knows whose they are, then stay until they are old."""
    draft = tmp_path / f".a.nc.{files._HOST}-12345678.part"
    draft.write_text("")

    def refuse(*args):
        raise OSError(37, "No locks available")

    monkeypatch.setattr("ventsim.files.fcntl.flock", refuse)
    write_file(tmp_path / "a.nc", "new")
    assert names(tmp_path) == [draft.name, "a.nc"]


def test_a_dataset_that_no_file_can_hold():
    with pytest.raises(FileError, match=r"the result cannot be written as NetCDF: .*\n  Give a result as ventsim"):
        netcdf({"": xr.Dataset(attrs={"a": {"b": 1}})})


# --- reading --------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def run() -> vs.LongRun:
    """A run of 5 breaths, of which waveforms are kept."""
    circuit = vs.layouts.single(vs.Lung(compliance=50, resistance=10), ideal=True)
    settings = vs.PressureControl(inspiratory_pressure=15, peep=5, rate=15, inspiratory_time=1)
    return vs.simulate_long(circuit, settings, duration=20.0, waveform_every=2, progress=False)


def damage(path: Path, *variables: str) -> None:
    """Change some bytes in the middle of variables."""
    data = bytearray(path.read_bytes())
    with h5netcdf.File(path, "r") as file:
        for name in variables:
            chunk = file[name]._h5ds.id.get_chunk_info(0)
            middle = chunk.byte_offset + chunk.size // 2
            data[middle : middle + 4] = bytes(255 - byte for byte in data[middle : middle + 4])
    path.write_bytes(data)


SMALL = {
    "": xr.Dataset({"x": ("t", [1.0, np.nan]), "name": ("t", np.array(["a", "·s"], dtype=object))}, {"t": [0, 1]}),
    "more": xr.Dataset({"one": 5.0, "none": ("z", np.zeros(0)), "flag": ("t", [True, False])}, attrs={"k": "±"}),
}


def test_groups_are_read_as_they_were_written(tmp_path):
    write_file(tmp_path / "a.nc", netcdf(SMALL))
    found = read_datasets(tmp_path / "a.nc")
    assert list(found) == ["", "more"]
    for name, dataset in SMALL.items():
        xr.testing.assert_identical(found[name], dataset)
    xr.testing.assert_identical(xr.load_dataset(tmp_path / "a.nc", engine="h5netcdf"), SMALL[""])


def test_damaged_variables_are_named_and_the_rest_can_be_read(tmp_path, run):
    """The message's own calls read what is whole: measures but one, waveforms, and no state."""
    path = tmp_path / "night.nc"
    run.save(path)
    damage(path, "inspired_tidal_volume", "state/solver")
    with pytest.raises(SchemaError) as raised:
        vs.LongRun.read(path)
    first, second, *calls = str(raised.value).splitlines()
    assert first == f"cannot read '{path}': it is damaged in 'inspired_tidal_volume', 'state/solver'."
    assert second == "  What is whole is read by"
    measures, state, waveforms = (eval(call, {"xarray": xr}) for call in calls)
    xr.testing.assert_identical(measures, run.measures.drop_vars("inspired_tidal_volume"))
    assert list(state) == ["held_at_start"]
    assert set(waveforms) == set(run.waveforms)


def test_damaged_coordinates(tmp_path, run):
    run.save(tmp_path / "night.nc")
    damage(tmp_path / "night.nc", "breath")
    with pytest.raises(SchemaError, match=r"it is damaged in 'breath'\.\n  What is whole is read by\n    xarray"):
        read_datasets(tmp_path / "night.nc")


def test_any_damage_is_one_message(tmp_path):
    """150 files with some bytes changed, cut off or put in, in random places (seed 1)."""
    whole, path, chance = bytes(netcdf({"more": SMALL["more"]})), tmp_path / "a.nc", random.Random(1)
    refused = 0
    for k in range(150):
        data, at = bytearray(whole), chance.randrange(len(whole))
        if k % 3 == 0:
            data[at : at + chance.randrange(1, 9)] = chance.randbytes(8)
        elif k % 3 == 1:
            data = data[:at]
        else:
            at = chance.randrange(600)  # where the file is described
            data[at] = chance.randrange(256)
        path.write_bytes(data)
        try:
            read_datasets(path)
        except SchemaError as error:
            refused += 1
            assert len(str(error).splitlines()) > 1, error
    assert 75 < refused < 150


@pytest.mark.parametrize(
    "change, message",
    [
        (lambda m, s: (m, None), "holds no run that can go on"),
        (lambda m, s: (m.drop_vars("auto_peep"), s), "holds no measures of a long run: variable"),
        (lambda m, s: (m, s.drop_vars("solver")), "holds no state from which a run can go on"),
        (lambda m, s: (m, s.assign_attrs(breaths="many")), "holds no state from which a run can go on"),
        (lambda m, s: (m, s.assign_attrs(circuit_time_s=np.nan)), "holds no state from which a run can go on"),
        (lambda m, s: (m, s.assign(solver=("entry", list(s.entry.dims)))), "holds no state from which a run"),
        (lambda m, s: (m.isel(breath=slice(0, 3)), s), "holds measures of other breaths than those of its state"),
        (lambda m, s: (m.drop_attrs(deep=False), s), "has no attribute 'status'"),
    ],
)  # fmt: skip
def test_files_that_hold_something_else(tmp_path, run, change, message):
    measures, state = change(run.measures, run.state)
    groups = {"": measures, "state": state}
    write_file(tmp_path / "a.nc", netcdf({name: one for name, one in groups.items() if one is not None}))
    with pytest.raises(SchemaError, match=rf"^'.*a\.nc' {message}[^\n]*\n  "):
        vs.LongRun.read(tmp_path / "a.nc")


def test_absurd_sizes_are_refused_before_memory_is_asked_for(tmp_path, monkeypatch):
    """A file of some kilobytes that declares 8 TB and a dimension of 4, and one that memory could not hold."""
    with h5netcdf.File(tmp_path / "a.nc", "w") as file:
        file.dimensions = {"t": 10**12}
        file.create_variable("x", ("t",), float, chunks=(1000,))
    for read in (read_datasets, vs.LongRun.read):
        with pytest.raises(SchemaError, match=r"it declares 1.2e\+04 GB of data, more than its \d+ bytes can"):
            read(tmp_path / "a.nc")
    write_file(tmp_path / "b.nc", netcdf({"": xr.Dataset({"x": ("t", np.zeros(1000))})}))
    assert read_datasets(tmp_path / "b.nc")[""].sizes == {"t": 1000}
    monkeypatch.setattr("ventsim.files._memory", lambda: 4000.0)
    with pytest.raises(SchemaError, match=r"it needs 1.2e-05 GB of memory, and there are 4e-06 GB\.\n  Read"):
        read_datasets(tmp_path / "b.nc")


@pytest.mark.parametrize(
    "name, message",
    [
        ("none.nc", r"there is no file '.*none\.nc'\.\n  There are"),
        ("empt.nc", r"there is no file '.*empt\.nc'\.\n  Did you mean '.*empty\.nc'\?"),
        ("folder", r"'.*folder' is a folder, not a file\.\n  Neither scenario"),
        ("/dev/zero", r"'/dev/zero' is a device, not a file\.\n  Give a file that ventsim has written"),
        ("empty.nc", r"'.*empty\.nc' is empty\.\n  Give"),
        ("text.nc", r"'.*text\.nc' is not a NetCDF file of the kind that ventsim writes\.\n  Give"),
        (
            "begins.nc",
            r"cannot read '.*begins\.nc': it is (cut off|damaged), and nothing of it can be saved",
        ),
        ("a\0b", r"cannot read|there is no file"),
    ],
)
def test_what_is_no_result(tmp_path, name, message):
    (tmp_path / "folder").mkdir()
    (tmp_path / "empty.nc").write_bytes(b"")
    (tmp_path / "text.nc").write_text("a text")
    (tmp_path / "begins.nc").write_bytes(b"\x89HDF\r\n\x1a\n and no more")
    for read in (read_datasets, read_attributes, vs.LongRun.read):
        with pytest.raises(SchemaError, match=message):
            read(tmp_path / name)


def test_texts(tmp_path):
    """Ends of lines of any system, a mark of byte order, pipes; and what never ends."""
    (tmp_path / "a.toml").write_bytes(b"\xef\xbb\xbfa = 1\r\nb = 2\rc = 3\n")
    assert read_text(tmp_path / "a.toml") == "a = 1\nb = 2\nc = 3\n"
    os.mkfifo(tmp_path / "pipe.nc")
    writer = threading.Thread(target=(tmp_path / "pipe.nc").write_text, args=("a = 1",))
    writer.start()
    assert not is_result(tmp_path / "pipe.nc")  # which would take its first bytes
    assert read_text(tmp_path / "pipe.nc") == "a = 1"
    writer.join()
    with pytest.raises(ScenarioError, match=r"'/dev/zero' has more than 10 MB; a scenario has a few kB\.\n  Give"):
        vs.Scenario.read("/dev/zero")
    for bad in ("a\0b", "x" * 300):
        with pytest.raises(InputError, match=r"cannot read '.*': (embedded null byte|File name too long)\."):
            read_text(Path(bad))


def test_the_file_of_a_live_run_is_refused_at_the_beginning(tmp_path, run, start_process):
    """After the end of the other process by SIGKILL the file is free, and the next run cleans up."""
    path = tmp_path / "night.nc"
    run.save(path)
    script = f"import time, ventsim.files as f\nwith f.reserved({str(path)!r}): print(1, flush=1); time.sleep(60)"
    other = start_process([sys.executable, "-c", script])
    assert other.stdout.readline() == "1\n"
    with pytest.raises(FileError, match=r"night\.nc' is being written by another run\.\n  Wait until"):
        vs.simulate_long(path, duration=60.0, save=path, progress=False)
    other.kill()
    other.wait()
    assert names(tmp_path) == [".night.nc.lock", "night.nc"]
    vs.simulate_long(path, duration=60.0, save=path, progress=False)
    assert vs.LongRun.read(path).measures.sizes["breath"] == 15
    assert names(tmp_path) == ["night.nc"]


def test_a_run_whose_file_cannot_be_written_is_not_lost(tmp_path, run, monkeypatch):
    """It ends at once; the error has what is finished, and the file what was written before."""
    path = tmp_path / "night.nc"
    run.save(path)
    before = path.read_bytes()
    monkeypatch.setattr("ventsim.simulation.saved_run._SECONDS_BETWEEN", 0.0)

    def refuse(descriptor):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("ventsim.files.os.fsync", refuse)
    with pytest.raises(FileError, match=r"night\.nc': No space left on device\.\n  Make room") as raised:
        vs.simulate_long(run, duration=2000.0, save=path, progress=False)
    assert 5 < raised.value.finished.measures.sizes["breath"] < 500
    assert path.read_bytes() == before
    assert names(tmp_path) == ["night.nc"]
