"""The engine stays pure, imports point one way, adapters do no arithmetic."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PACKAGE = ROOT / "custom_components" / "stillwell"
ENGINE = PACKAGE / "engine"
MODULES = sorted(ENGINE.glob("*.py"))
ADAPTERS = sorted(PACKAGE.glob("*.py"))

# Of the standard library, what would bring a clock, a loop, a file or chance into the engine.
IMPURE = {
    "asyncio", "concurrent", "datetime", "io", "logging", "multiprocessing", "os", "pathlib",
    "random", "secrets", "selectors", "shutil", "socket", "sqlite3", "subprocess", "sys",
    "tempfile", "threading", "time", "urllib", "zoneinfo",
}  # fmt: skip
PURE_NAMES = {("datetime", "date"), ("datetime", "timedelta")}
"""Calendar arithmetic on given dates; `today` and `now` are looked for below."""
CLOCK_CALLS = {"today", "now", "utcnow", "time", "monotonic", "perf_counter", "open", "print"}

# Where an adapter may multiply or divide: conversion of units, and a share as a percentage.
CONVERTERS = {
    "answers.py", "countdown.py", "dosing_forms.py", "form_units.py", "line_forms.py",
    "local_time.py", "readings.py", "sensor.py",
}  # fmt: skip
PROPOSALS = {"vessel_capture.py", "vessel_checks.py", "vessel_values.py"}
"""Marks that the forms propose are shares of the vessel's height; what counts is what is typed."""
CONVERSIONS = {
    ("actions.py", "100 * day.covered_frac"),
    ("backfill.py", "HOUR_S / 2"),
    ("condition.py", "self._options[ATTR_CERTAINTY] / 100.0"),
    ("dashboard.py", "24 * WEEK_DAYS"),
    ("figure.py", "PERCENT * frac"),
    ("dosing_actions.py", "volume_ml / ML_PER_L"),
    ("dosing_entities.py", "ML_PER_L * litres"),
    ("take_back_actions.py", "ML_PER_L * one.value"),
    ("backfill.py", "(level.at - start) / (until - start)"),
    ("proof_tests.py", "(days or 0.0) * DAY_S"),
    ("vessel_preview.py", "100 * volume_l / vessel.volume_l(settings.full_m)"),
    ("vessel_preview.py", "100 * volume_l"),
    ("vessel_kind_flow.py", "values[FIELD_SALT_WATER] / PERCENT"),
    ("water_change_flow.py", "values[FIELD_SHARE] / PERCENT"),
    ("water_change_flow.py", "PERCENT * stored.data[CONF_LARGEST_SHARE_FRAC]"),
    ("water_change_flow.py", "PERCENT * DEFAULT_SHARE_FRAC"),
    ("vessel_kind_flow.py", "PERCENT * data[CONF_SALT_WATER_FRAC]"),
}


def tree(path: Path) -> ast.Module:
    """Return a module's syntax tree."""
    return ast.parse(path.read_text("utf-8"))


def imports(path: Path) -> list[tuple[int, str, str]]:
    """Return (level, module, name) of each import; level 0 is absolute."""
    found = []
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.Import):
            found += [(0, alias.name, "") for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            found += [(node.level, node.module or "", alias.name) for alias in node.names]
    return found


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.name)
def test_the_engine_imports_only_itself_and_pure_parts_of_the_standard_library(path: Path) -> None:
    for level, module, name in imports(path):
        top = module.split(".")[0]
        if level:
            assert level == 1, f"{path.name} reaches out of the engine"
            assert (ENGINE / f"{(module or name).split('.')[0]}.py").exists()
        elif (module, name) not in PURE_NAMES:
            assert top in sys.stdlib_module_names, f"{path.name} imports {module}"
            assert top not in IMPURE, f"{path.name} imports {module}"


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.name)
def test_the_engine_has_no_clock_no_file_and_no_coroutine(path: Path) -> None:
    for node in ast.walk(tree(path)):
        assert not isinstance(node, ast.AsyncFunctionDef | ast.Await | ast.Global), path.name
        if isinstance(node, ast.Call):
            called = node.func
            name = called.attr if isinstance(called, ast.Attribute) else getattr(called, "id", "")
            assert name not in CLOCK_CALLS, f"{path.name}:{node.lineno} calls {name}"


def test_imports_inside_the_engine_have_no_cycle() -> None:
    edges = {path.stem: {module for level, module, _ in imports(path) if level} for path in MODULES}
    done: set[str] = set()
    while len(done) < len(edges):
        ready = {name for name, uses in edges.items() if name not in done and uses <= done}
        assert ready, f"cycle among {sorted(set(edges) - done)}"
        done |= ready


def test_the_engine_runs_on_a_bare_interpreter() -> None:
    """No site-packages at all: the hub, numpy and the rest cannot be there."""
    names = ", ".join(f"engine.{path.stem}" for path in MODULES if path.stem != "__init__")
    code = f"import sys; sys.path.insert(0, {str(PACKAGE)!r}); import {names}; print('ok')"
    run = subprocess.run(  # noqa: S603 - our own interpreter and code
        [sys.executable, "-S", "-I", "-c", code], capture_output=True, text=True, check=False
    )
    assert run.stdout.strip() == "ok", run.stderr


@pytest.mark.parametrize("path", ADAPTERS, ids=lambda path: path.name)
def test_adapters_hold_no_arithmetic_beyond_conversion(path: Path) -> None:
    if path.name in CONVERTERS | PROPOSALS:
        return
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.BinOp) and isinstance(
            node.op, ast.Mult | ast.Div | ast.FloorDiv | ast.Pow
        ):
            assert (path.name, ast.unparse(node)) in CONVERSIONS, f"{path.name}:{node.lineno}"


@pytest.mark.parametrize("path", ADAPTERS, ids=lambda path: path.name)
def test_only_adapters_know_the_hub_and_none_reads_a_private_name_of_the_engine(
    path: Path,
) -> None:
    for level, module, name in imports(path):
        if level and module.startswith("engine"):
            assert not name.startswith("_"), f"{path.name} imports {name}"


def test_the_simulators_import_nothing_of_ours() -> None:
    plants = [*(ROOT / "tests" / "simulator").glob("*.py"), ROOT / "demo" / "plant.py"]
    assert plants
    for path in plants:
        for _, module, _ in imports(path):
            assert "stillwell" not in module, f"{path.name} imports {module}"
