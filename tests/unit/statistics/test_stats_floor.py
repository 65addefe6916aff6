"""The floor itself: what it imports, what its examples say, and that it stays small."""

import doctest
import importlib
import pkgutil
import subprocess
import sys

import pytest

import pipeline.statistics

MODULES = [f"pipeline.statistics.{m.name}" for m in pkgutil.iter_modules(pipeline.statistics.__path__)]

BARE = """
import importlib, importlib.abc, sys

class NothingElse(importlib.abc.MetaPathFinder):
    def find_spec(self, name, path=None, target=None):
        top = name.split(".")[0]
        if top in {"numpy", "scipy", "pipeline"} or top in sys.stdlib_module_names or top.startswith("_"):
            return None
        raise ModuleNotFoundError(f"{name} is not part of the statistics floor", name=name)

sys.meta_path.insert(0, NothingElse())
for name in sys.argv[1:]:
    importlib.import_module(name)
print(*sorted(n for n in sys.modules if n.startswith("pipeline")))
"""


def test_floor_runs_on_numpy_and_scipy_alone():
    """In an interpreter that has nothing but NumPy and SciPy the floor imports; no other room comes with it."""
    run = subprocess.run([sys.executable, "-c", BARE, *MODULES], capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stderr
    assert set(run.stdout.split()) == {"pipeline", "pipeline.statistics", *MODULES}


@pytest.mark.parametrize("name", MODULES)
def test_examples_in_docstrings_are_true(name):
    """Every example in the floor's documentation is run."""
    assert doctest.testmod(importlib.import_module(name)).failed == 0
