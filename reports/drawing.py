"""Charts to SVG, in two helper processes: the converter takes a processor for itself, and threads do not help it."""

from __future__ import annotations

import os
from concurrent.futures import Future
from typing import Any

import vl_convert
from loky import get_reusable_executor

IDLE_S = 20


def svg_later(spec: dict[str, Any], config: dict[str, Any]) -> Future[str]:
    """The SVG of a Vega-Lite specification that carries its data, once it is drawn."""
    return _helpers().submit(drawn_svg, spec, config)


def vega_script_later() -> Future[str]:
    """Vega, Vega-Lite and Vega-Embed in one script, wrapped so that nothing but vegaEmbed becomes global."""
    return _helpers().submit(_vega_script)


def drawn_svg(spec: dict[str, Any], config: dict[str, Any] | None = None) -> str:
    """The SVG of a specification, drawn here and now."""
    return vl_convert.vegalite_to_svg(spec, config=config, allowed_base_urls=[])


def _helpers() -> Any:
    return get_reusable_executor(max_workers=min(2, os.cpu_count() or 1), timeout=IDLE_S)


def _vega_script() -> str:
    return f"(()=>{{{vl_convert.javascript_bundle()}}})();"  # type: ignore[call-arg]
