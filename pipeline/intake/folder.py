"""Which files of a fleet folder hold which kind of rows."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import FleetError, shown_value
from pipeline.schema import FOLDER_KINDS, KINDS, OPTIONAL_KINDS
from pipeline.settings import Settings
from pipeline.store import literal

SUFFIXES = (".csv", ".tsv", ".txt", ".xlsx", ".parquet")


@dataclass(frozen=True)
class InputFile:
    """A file to read: its kind, where it is, and its name within the fleet folder."""

    kind: str
    path: Path
    name: str


def path_sql(path: Path) -> str:
    """A file's path as an SQL literal, for DuckDB's readers: they take it for a pattern, and visits[1].csv for
    visits1.csv."""
    return literal(re.sub(r"([*?\[])", r"[\1]", str(path)))


def input_files(fleet: Path, settings: Settings) -> tuple[list[InputFile], list[str]]:
    """The files of a fleet folder by kind and name, and warnings about what is there but not read.

    Raises FleetError where a needed table is missing or there twice.
    """
    if not fleet.is_dir():
        raise FleetError(f"{fleet}: is not a folder. Give the fleet folder, the one that holds installs.csv.")
    found: list[InputFile] = []
    warnings: list[str] = []
    for kind in KINDS:
        paths, odd = _paths_of(fleet, kind, settings.files.get(kind))
        warnings += [_not_read(fleet, path) for path in odd]
        if kind not in FOLDER_KINDS:
            if len(paths) > 1:
                names = " and ".join(p.relative_to(fleet).as_posix() for p in paths[:3])
                raise FleetError(f"{names}: there is more than one table of {kind}. Keep one of them.")
            if not paths and kind not in OPTIONAL_KINDS:
                where = settings.files.get(kind, f"{kind}.csv")
                raise FleetError(
                    f"{where}: is missing in {fleet}; every fleet folder needs it. {_instead(fleet, kind)}"
                )
            if not paths and kind == "limits":
                warnings.append("limits.csv: is missing; the general ranges are used for every appliance model.")
        else:
            if kind not in settings.files:
                warnings += _passed_over(fleet, kind)
            if not paths:
                told = f"{shown_value(settings.files[kind])} of fleet.toml" if kind in settings.files else f"{kind}/"
                warnings.append(f"{told}: holds no files; there are no {kind} to go by.")
            if kind not in settings.files:
                warnings += [
                    f"{p.name}: not read; {kind} are read from the folder {kind}/. Move the file there."
                    for p in _tables(fleet, kind)
                ]
        found += [InputFile(kind, p, p.relative_to(fleet).as_posix()) for p in paths]
    return found, warnings


def _tables(folder: Path, kind: str) -> list[Path]:
    """The files of a folder that are named as a kind is."""
    return sorted(
        p for p in folder.iterdir() if p.is_file() and p.stem.lower() == kind and p.suffix.lower() in SUFFIXES
    )


def _instead(fleet: Path, kind: str) -> str:
    """What to do where a table is missing: perhaps the folder is not the one that was meant."""
    for place in sorted(fleet.iterdir()):
        if place.stem.lower() == kind and place.suffix.lower() in SUFFIXES:  # yet it is no file
            what = "a folder" if place.is_dir() else "no file, or a link that leads to none"
            return f"What bears this name is {what}; put the table itself there."
    near = [fleet.absolute().parent, *sorted(p for p in fleet.iterdir() if p.is_dir())]
    try:
        found = next((p for p in near if _tables(p, "installs") and _tables(p, kind)), None)
    except OSError:
        found = None
    return f"Did you mean {found}?" if found else f"Add it (or {kind}.xlsx)."


def _paths_of(fleet: Path, kind: str, pattern: str | None) -> tuple[list[Path], list[Path]]:
    if pattern is not None:
        inside = [p for p in fleet.glob(pattern) if p.is_file()]
        root = fleet.resolve()
        for path in inside:
            if not path.resolve().is_relative_to(root):
                raise FleetError(
                    f"fleet.toml [files] {kind}: {shown_value(path)} leaves the fleet folder; copy the file into it."
                )
    elif kind in FOLDER_KINDS:
        inside = []
        for folder in _folders(fleet, kind):
            inside += [p for p in folder.iterdir() if not p.is_dir() and not _of_a_writer(p)]
            inside += [p for p in folder.glob("*/**/*.parquet") if p.is_file() and not _hidden(p.relative_to(folder))]
    else:
        inside = [p for p in fleet.iterdir() if p.is_file() and p.stem.lower() == kind and p.suffix.lower() in SUFFIXES]
    inside = sorted(
        (p for p in inside if not p.name.startswith((".", "~$"))), key=lambda p: p.relative_to(fleet).as_posix()
    )
    return [p for p in inside if _readable(p)], [p for p in inside if not _readable(p)]


def _readable(path: Path) -> bool:
    return path.suffix.lower() in SUFFIXES and _is_text(str(path)) and path.is_file()


def _is_text(name: str) -> bool:
    try:
        name.encode()
    except UnicodeEncodeError:  # the system lets names be any bytes
        return False
    return True


def _not_read(fleet: Path, path: Path) -> str:
    name = path.relative_to(fleet).as_posix()
    if not _is_text(name):
        return f"{name.encode(errors='replace').decode()}: not read; its name is no UTF-8 text. Rename the file."
    if not path.is_file():
        return f"{name}: not read; it is no file, or a link that leads to none. Put the file itself there."
    return f"{name}: not read; only {', '.join(SUFFIXES)} files are."


def _folders(fleet: Path, kind: str) -> list[Path]:
    """visits/ as people write it: some systems take Visits/ for the same folder, others do not."""
    return sorted(p for p in fleet.iterdir() if p.is_dir() and p.name.lower() == kind)


def _passed_over(fleet: Path, kind: str) -> list[str]:
    """What to say of tables of text that lie deeper than the folder of their kind."""
    deeper = (
        p for folder in _folders(fleet, kind) for p in folder.glob("*/**/*") if not _hidden(p.relative_to(folder))
    )
    names = sorted(p.relative_to(fleet).as_posix() for p in deeper if p.is_file() and p.suffix.lower() in SUFFIXES[:-1])
    if not names:
        return []
    more = f" and {len(names) - 1} more" if len(names) > 1 else ""
    return [
        f"{names[0]}{more}: not read; only Parquet files may lie deeper than {kind}/ itself. Move them there, or write "
        f'{kind} = "{kind}/**/*.csv" under [files] in fleet.toml.'
    ]


def _of_a_writer(path: Path) -> bool:
    """What engines that write Parquet leave beside it, as _SUCCESS and _metadata."""
    return path.name.startswith("_") and not path.suffix


def _hidden(path: Path) -> bool:
    return any(part.startswith((".", "_")) for part in path.parts)
