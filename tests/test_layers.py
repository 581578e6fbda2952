"""The house rules: imports point down, SQL reads only lower numbers, no file does everything."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGES = ("pipeline", "models", "reports")

# Within pipeline and models a module imports only from those that stand before it; a folder counts as one.
ORDER = (
    *("interpreter", "kept", "errors", "units", "schema", "settings", "safe_text", "store", "store_threads"),
    *("sql_formulas", "enthalpy", "vapour", "fuels", "combustion", "findings", "patterns", "intake"),
    *("derive", "csv_rows", "exports", "explain", "calendar_events", "calendar_files", "sample", "stages"),
    *("outfolder", "fleet_place", "prefect_server", "prefect_api"),
    *("terminal", "workers", "job", "flows", "command", "cli"),
)
ROOMS = ("arrays", "tails", "mapper", "clock", "mixed", "drift", "known", "fleets", "chances", "trial", "plan")
LONGEST, LONGEST_OF_TESTS = 360, 450


def modules(package: str) -> list[Path]:
    return sorted((ROOT / package).rglob("*.py"))


def imported(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module and not node.level:
            names |= {node.module} | {f"{node.module}.{alias.name}" for alias in node.names}
        elif isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
    return {name for name in names if name.split(".")[0] in PACKAGES}


@pytest.mark.parametrize("package", ["models", "reports"])
def test_models_and_reports_import_only_themselves(package: str) -> None:
    strangers = {
        (path.name, name) for path in modules(package) for name in imported(path) if name.split(".")[0] != package
    }
    assert not strangers


@pytest.mark.parametrize(("package", "order"), [("pipeline", ORDER), ("models", ROOMS)])
def test_modules_import_only_what_stands_before_them(package: str, order: tuple[str, ...]) -> None:
    rank = {name: place for place, name in enumerate(order)}
    upward = []
    for path in modules(package):
        part = path.relative_to(ROOT / package).parts[0].removesuffix(".py")
        if part == "__init__":
            continue
        assert part in rank, f"{package}/{part} has no place in the order"
        for name in imported(path):
            words = name.split(".")
            if words[0] == package and len(words) > 1 and words[1] in rank and rank[words[1]] > rank[part]:
                upward.append((str(path.relative_to(ROOT)), name))
    assert not upward


def test_sql_files_read_only_tables_of_lower_numbers() -> None:
    made: dict[str, int] = {}
    files = sorted((ROOT / "sql").rglob("*.sql"), key=lambda p: p.relative_to(ROOT / "sql").parts)
    number = {path: int(re.match(r"\d+", path.relative_to(ROOT / "sql").parts[0])[0]) for path in files}  # type: ignore[index]
    for path in files:
        for name in re.findall(
            r"create (?:or replace )?(?:temp )?(?:table|view) (?:if not exists )?(\w+)",
            path.read_text(encoding="utf-8"),
        ):
            made.setdefault(name, number[path])
    for path in files:
        text = path.read_text(encoding="utf-8")
        assert text.startswith("--"), f"{path.name} does not say what its rows are"
        body = re.sub(r"--.*", "", text)
        for name in re.findall(r"\b(?:from|join) (\w+)", body):
            if name in made:
                assert made[name] <= number[path], f"{path.name} reads {name}, which a later file makes"


def test_no_module_is_longer_than_a_reader_can_hold() -> None:
    long = {
        str(path.relative_to(ROOT)): lines
        for package in (*PACKAGES, "tests")
        for path in modules(package)
        if (lines := len(path.read_text(encoding="utf-8").splitlines()))
        > (LONGEST_OF_TESTS if package == "tests" else LONGEST)
    }
    assert not long


def test_init_files_are_empty() -> None:
    assert not [
        path for package in PACKAGES for path in modules(package) if path.name == "__init__.py" and path.stat().st_size
    ]
