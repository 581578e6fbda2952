"""The visits and readings of an invented fleet as hive-partitioned Parquet, a folder a year."""

from __future__ import annotations

import re
from pathlib import Path

from pipeline.intake.dialect import Dialect, dialect_of, scan_bytes
from pipeline.intake.headers import map_headers
from pipeline.schema import FOLDER_KINDS
from pipeline.store import Store, literal, quoted

TYPES = {"number": "double", "date": "date", "boolean": "boolean"}
YEAR = re.compile(r"(\d{4})$")


def as_parquet(folder: Path) -> None:
    """Put visits/year=…/NAME.parquet in the place of each visits/NAME.csv, and the same with readings.

    A column whose every cell is what it should be is typed; one with a cell that is not stays text.
    """
    with Store.open(None) as store:
        for kind in FOLDER_KINDS:
            for path in sorted((folder / kind).glob("*.csv")):
                year = YEAR.search(path.stem)
                target = path.parent / (f"year={year[1]}" if year else "year=0") / f"{path.stem}.parquet"
                target.parent.mkdir(exist_ok=True)
                dialect = dialect_of(path.name, scan_bytes(path))
                _copy(store, kind, path, dialect, target)
                path.unlink()


def _copy(store: Store, kind: str, path: Path, dialect: Dialect, target: Path) -> None:
    names = [f"c{n}" for n in range(len(dialect.header))]
    typed = ", ".join(f"'{name}': 'VARCHAR'" for name in names)
    store.run(
        f"create or replace table written as select * from read_csv({literal(path)}, auto_detect = false, "
        f"header = true, delim = {literal(dialect.delimiter)}, quote = '\"', escape = '\"', columns = {{{typed}}}, "
        "ignore_errors = true)"
    )
    values = dict(zip(names, names, strict=True))
    for one in map_headers(path.name, kind, dialect.header, {})[0]:
        name, type_ = f"c{one.position}", TYPES.get(one.column.type)
        if type_ == "double" and dialect.decimal == ",":
            point = f"replace({name}, ',', '.')"
            values[name] = f"case when try_cast({point} as double) is null then {name} else {point} end"
        if type_ and not store.scalar(
            f"select count(*) from written where {name} <> '' and try_cast({values[name]} as {type_}) is null"
        ):
            values[name] = f"try_cast({values[name]} as {type_})"
    told = ", ".join(
        f"{value} as {quoted(header)}" for value, header in zip(values.values(), dialect.header, strict=True)
    )
    store.run(f"copy (select {told} from written) to {literal(target)} (format parquet)")
