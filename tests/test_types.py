"""What a type checker sees of the library: right code of a user passes, wrong code is found."""

import os
import subprocess
import sys
from pathlib import Path

import matplotlib.pyplot as plt
import pytest
import user_code

import ventsim as vs

ROOT = Path(__file__).parents[1]


@pytest.mark.slow
def test_right_user_code_passes_a_type_checker_and_wrong_code_does_not():
    """Each line of `wrong` has its error in a comment, and mypy complains of a comment without an error."""
    # The cache in the work folder, which holds the types of the libraries, is that of `mypy ventsim`.
    command = [sys.executable, "-m", "mypy", "tests/user_code.py"]
    surroundings = {**os.environ, "MYPYPATH": str(ROOT)}
    result = subprocess.run(command, cwd=ROOT, env=surroundings, capture_output=True, text=True, timeout=600)
    assert result.returncode == 0, result.stdout + result.stderr


@pytest.mark.slow
def test_what_passes_the_type_checker_runs():
    assert all(one is not None for one in user_code.right())
    plt.close("all")


def test_every_namespace_has_a_stub():
    """Type checkers do not see what is entered in ``sys.modules``."""
    entered = {name for name, module in sys.modules.items() if name.count(".") == 1 and module.__name__ != name}
    stubs = {f"ventsim.{path.stem}" for path in Path(vs.__file__).parent.glob("*.pyi")}
    assert {name for name in entered if name.startswith("ventsim.")} == stubs
    for name in stubs:
        stub = Path(vs.__file__).parent / f"{name.partition('.')[2]}.pyi"
        assert stub.read_text() == f"from {sys.modules[name].__name__} import *\n"
