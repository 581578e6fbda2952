"""Where a fleet is kept: a folder here, or one that fsspec reaches (s3://, gs://, abfs://, memory:// …).

Files elsewhere are brought into the work folder beside OUT, and only those that are new or changed; from there on a
fleet is a folder.
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Iterator
from pathlib import Path, PurePosixPath
from typing import Any

from pipeline.errors import FleetError, PassingError
from pipeline.intake.folder import SUFFIXES, input_files
from pipeline.outfolder import is_remote
from pipeline.schema import FOLDER_KINDS, KINDS
from pipeline.settings import Settings, load_settings

CHANGING = ("ETag", "etag", "md5", "md5Hash", "LastModified", "last_modified", "mtime", "updated", "created")
Stamps = dict[str, list[str]]


class FleetPlace:
    """A fleet's place.

    source: as the user gave it. folder: where its files are on this machine, once brought.
    """

    def __init__(self, source: str | os.PathLike[str], work: Path) -> None:
        self.source = str(source)
        self.remote = is_remote(self.source)
        if not self.remote:
            self.source = str(Path(self.source).resolve())
        self.folder = work / "fleet" if self.remote else Path(self.source)
        self._index = work / "fleet.json"

    def settings(self) -> Settings:
        """fleet.toml, brought if need be before anything else is."""
        if self.remote:
            files, root, system = self._listed(("fleet.toml",))
            self.folder.mkdir(parents=True, exist_ok=True)
            (self.folder / "fleet.toml").unlink(missing_ok=True)
            self._fetch(system, root, list(files))
        return load_settings(self.folder)

    def bring(self) -> None:
        """Have the fleet's files in `folder`, as they are now."""
        if not self.remote:
            return
        settings = self.settings()
        files, root, system = self._listed(_patterns(settings))
        known = json.loads(self._index.read_text()) if self._index.exists() else {}
        if known.get("source") != self.source:
            known = {"source": self.source, "files": {}}
            shutil.rmtree(self.folder, ignore_errors=True)
            self.folder.mkdir(parents=True)
        wanted = [
            name for name, stamp in files.items()
            if not stamp or known["files"].get(name) != stamp or not (self.folder / name).is_file()
        ]  # fmt: skip
        self._index.unlink(missing_ok=True)  # an interruption brings all of it anew
        self._fetch(system, root, wanted)
        for path in sorted(self.folder.rglob("*"), reverse=True):
            if path.is_file() and path.relative_to(self.folder).as_posix() not in files:
                path.unlink()
        self._index.write_text(json.dumps({"source": self.source, "files": files}))

    def stamps(self) -> Stamps:
        """Size and time (or tag) of each file of the fleet, by name: equal stamps, equal files."""
        if self.remote:
            return self._listed(_patterns(self.settings()))[0]
        settings = load_settings(self.folder)
        paths = [file.path for file in input_files(self.folder, settings)[0]] + [self.folder / "fleet.toml"]
        told = {path.relative_to(self.folder).as_posix(): path.stat() for path in paths if path.is_file()}
        return {name: [str(one.st_size), str(one.st_mtime_ns)] for name, one in told.items()}

    def _listed(self, patterns: tuple[str, ...]) -> tuple[Stamps, str, Any]:
        """Stamps of the files under the source that match; a stamp is empty where nothing tells a change."""
        try:
            import fsspec

            system, root = fsspec.core.url_to_fs(self.source)
        except (ImportError, ValueError) as problem:
            raise FleetError(
                f"{self.source}: this kind of address cannot be opened ({problem}). Install what it needs "
                "(pip install 'foulcast[cluster]', and s3fs, gcsfs or adlfs for those stores), or name a folder."
            ) from problem
        try:
            system.invalidate_cache()
            found = dict(_matching(system, root.rstrip("/"), patterns))
        except FileNotFoundError as problem:
            raise FleetError(
                f"{self.source}: there is no such folder. Name the one that holds installs.csv."
            ) from problem
        except PermissionError as problem:
            raise FleetError(
                f"{self.source}: may not be read ({problem}). Give this user the right to read it."
            ) from problem
        except Exception as problem:  # each store has errors of its own
            raise PassingError(
                f"{self.source}: cannot be listed ({problem}). Look at the network and run again."
            ) from problem
        return found, root.rstrip("/"), system

    def _fetch(self, system: Any, root: str, names: list[str]) -> None:
        here = [self.folder / name for name in names]
        for path in here:
            path.parent.mkdir(parents=True, exist_ok=True)
        try:
            if names:
                system.get([f"{root}/{name}" for name in names], [str(path) for path in here])
        except Exception as problem:
            for path in here:
                path.unlink(missing_ok=True)
            if (
                isinstance(problem, OSError)
                and problem.errno is not None
                and not isinstance(problem, FileNotFoundError)
            ):
                raise
            raise PassingError(
                f"{self.source}: cannot be fetched ({problem}). Look at the network and run again."
            ) from problem


def _patterns(settings: Settings) -> tuple[str, ...]:
    tables = (f"{kind}{suffix}" for kind in KINDS if kind not in settings.files for suffix in SUFFIXES)
    folders = (f"{kind}/" for kind in FOLDER_KINDS if kind not in settings.files)
    return ("fleet.toml", *tables, *folders, *settings.files.values())


def _matching(system: Any, root: str, patterns: tuple[str, ...]) -> Iterator[tuple[str, list[str]]]:
    found: dict[str, Any] = {info["name"]: info for info in system.ls(root, detail=True) if info["type"] == "file"}
    top = {pattern for pattern in patterns if "/" not in pattern and not set("*?[") & set(pattern)}
    found = {name: info for name, info in found.items() if PurePosixPath(name).name.lower() in top}
    for pattern in patterns:
        if pattern.endswith("/"):
            if system.isdir(f"{root}/{pattern.rstrip('/')}"):
                found |= system.find(f"{root}/{pattern.rstrip('/')}", detail=True)
        elif pattern not in top:
            found |= {
                n: info for n, info in system.glob(f"{root}/{pattern}", detail=True).items() if info["type"] == "file"
            }
    for name in sorted(found):
        inside = PurePosixPath(name.rstrip("/")).relative_to(root) if root else PurePosixPath(name.lstrip("/"))
        if ".." in inside.parts:
            continue
        info = found[name]
        tags = [str(info[key]) for key in CHANGING if info.get(key)]
        yield inside.as_posix(), [str(info.get("size")), *tags] if tags else []
