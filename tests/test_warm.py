"""The compilation at installation: it must go through, or nothing can be installed; a run then compiles nothing."""

import importlib
import pkgutil

import pytest
from numba.core.registry import CPUDispatcher
from workflow import config, passes_of, run_steps, write_coop

import pipeline.core
from pipeline import warm


def compiled() -> dict[str, set]:
    """Types that each kernel has been compiled for, or read from the cache for, in this process."""
    modules = [importlib.import_module(f"pipeline.core.{one.name}") for one in pkgutil.iter_modules(pipeline.core.__path__)]
    kernels = {kernel for module in modules for kernel in vars(module).values() if isinstance(kernel, CPUDispatcher)}
    return {f"{one.py_func.__module__}.{one.__name__}": set(one.signatures) for one in kernels}


@pytest.fixture(scope="module")
def warmed():
    """Every step run on an acre."""
    warm.main()
    return compiled()


@pytest.mark.parametrize("shift_m", [0.0, 0.05, 0.5])
def test_a_run_compiles_nothing_more(warmed, tmp_path, shift_m):
    # Rows on their strips, beside them, and beyond the reach of any.
    write_coop(tmp_path, rows=passes_of(shift_m=shift_m))
    run_steps(config(tmp_path), tmp_path)
    assert {name: types - warmed[name] for name, types in compiled().items() if types - warmed[name]} == {}
