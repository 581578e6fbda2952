"""Charts to SVG, beside the writing of pages: the converter takes a processor for itself, and threads do not help."""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import BrokenExecutor, CancelledError, Executor, Future
from contextlib import suppress
from functools import cache
from pathlib import Path
from typing import Any

import vl_convert

END = "})();"
SHORT = 24  # characters of a label: below the limits in use, or so little beyond that it may stand whole


class Later:
    """A text asked of a helper process; made here where there is no helper, or where it has not come to it."""

    def __init__(self, helper: Executor | None, function: Callable[..., str], *given: Any) -> None:
        self._function, self._given = function, given
        self._text: str | None = None
        self._future: Future[str] | None = None
        if helper is not None:
            with suppress(BrokenExecutor):
                self._future = helper.submit(function, *given)

    @property
    def waits(self) -> bool:
        """Whether nobody has begun to make it."""
        return self._text is None and (self._future is None or not (self._future.running() or self._future.done()))

    def take_back(self) -> None:
        """Make it here, unless the helper has begun."""
        if self._text is None and (self._future is None or self._future.cancel()):
            self._text = self._function(*self._given)

    def text(self) -> str:
        if self._text is None:
            with suppress(BrokenExecutor, CancelledError):
                self._text = self._future.result() if self._future is not None else None
        if self._text is None:
            self._text = self._function(*self._given)
        return self._text


def drawn_svg(spec: dict[str, Any], config: dict[str, Any] | None = None) -> str:
    """The SVG of a Vega-Lite specification that carries its data."""
    return vl_convert.vegalite_to_svg(without_idle_limits(spec), config=config, allowed_base_urls=[])


def without_idle_limits(spec: dict[str, Any]) -> dict[str, Any]:
    """A specification whose config sets no limit to the length of labels, where none of its texts is long.

    To keep to a limit the converter measures each label once more, and measuring text is most of its work.
    """
    texts = (v for rows in spec.get("datasets", {}).values() for row in rows for v in row.values())
    if any(isinstance(v, str) and len(v) > SHORT for v in texts):
        return spec
    config = spec.get("config", {})
    unlimited = {part: config[part] | {"labelLimit": 0} for part in ("axis", "legend") if part in config}
    return spec | {"config": config | unlimited}


def get_ready() -> str:
    """Start the converter, which takes longer than to draw several charts."""
    return drawn_svg({"mark": "point", "data": {"values": []}})


@cache
def script_later(helper: Executor | None, kept: Path | None = None) -> Later:
    """`vega_script` on its way; it takes seconds and is the same for every run, so it can be asked for long before."""
    return Later(helper, vega_script, kept)


def vega_script(kept: Path | None = None) -> str:
    """Vega, Vega-Lite and Vega-Embed in one script, wrapped so that nothing but vegaEmbed becomes global.

    kept: a file to take it from, and to leave it in for the next run.
    """
    with suppress(OSError, UnicodeDecodeError):
        if kept is not None and (text := kept.read_text(encoding="utf-8")).endswith(END):
            return text
    text = f"(()=>{{{vl_convert.javascript_bundle()}{END}"  # type: ignore[call-arg]
    if kept is not None:
        with suppress(OSError):
            kept.parent.mkdir(parents=True, exist_ok=True)
            beside = kept.with_suffix(f".{os.getpid()}")
            beside.write_text(text, encoding="utf-8")
            beside.replace(kept)
    return text
