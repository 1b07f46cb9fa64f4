"""What is compiled is kept on disk where that is possible; what is damaged there is made again."""

import errno
import importlib.util
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest
from numba.core import caching

SOURCE = """
from ventsim.compiling import compiled

@compiled()
def called(number, flag):
    return 2.0 * number if flag else 0.0

@compiled()
def double(number):
    return called(number, True) + called(number, False) + called(-1, True) - called(-1.0, True)
"""


def _load(folder: Path) -> ModuleType:
    """The module anew, as in a new process."""
    path = folder / "functions.py"
    if not path.exists():
        path.write_text(SOURCE, encoding="utf-8")
    spec = importlib.util.spec_from_file_location("functions", path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def _hits(module: ModuleType) -> int:
    return sum(module.double.stats.cache_hits.values())


@pytest.mark.parametrize("damage", [b"", b"nothing of the kind", None], ids=["empty", "foreign", "cut off"])
@pytest.mark.parametrize("kind", ["nbi", "nbc"])
def test_a_damaged_cache_is_made_again(tmp_path, kind, damage):
    assert _load(tmp_path).double(4.0) == 8.0
    again = _load(tmp_path)
    assert again.double(4.0) == 8.0 and _hits(again) == 1
    files = list(tmp_path.glob(f"__pycache__/*double*.{kind}"))
    assert files
    for file in files:
        file.write_bytes(file.read_bytes()[:-20] if damage is None else damage)
    mended = _load(tmp_path)
    assert mended.double(4.0) == 8.0 and _hits(mended) == 0
    again = _load(tmp_path)
    assert again.double(4.0) == 8.0 and _hits(again) == 1


def test_values_do_not_make_another_version(tmp_path):
    """One for whole numbers and one for others; not one for each of True, False, -1 and -1.0."""
    module = _load(tmp_path)
    module.double(4.0)
    assert len(module.called.signatures) == 2


def test_a_full_disk_keeps_nothing(tmp_path, monkeypatch):
    def full(*_):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(caching.IndexDataCacheFile, "save", full)
    assert _load(tmp_path).double(4.0) == 8.0
    assert not list(tmp_path.glob("__pycache__/*.nbi"))


def test_import_where_no_folder_can_be_written_to():
    """The engine says so when it compiles; the smallest compiled function works at once."""
    script = (
        "from numba.core import caching\n"
        "caching.CacheImpl._locator_classes = []\n"
        "import ventsim, ventsim.engine.phases\n"
        "from ventsim.results.kernel import _extreme\n"
        "import numpy as np\n"
        "print(_extreme(np.nan, np.array([1.0, 3.0]), 1.0), ventsim.engine.phases.run_breaths.stats.cache_path)\n"
    )
    found = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=120)
    assert (found.stdout, found.stderr) == ("3.0 None\n", "")
