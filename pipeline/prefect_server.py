"""Prefect's command line in a process of its own, as `python -m prefect`, but sooner ready: see `interpreter`."""

from __future__ import annotations

import runpy

from pipeline.interpreter import collect_seldom

if __name__ == "__main__":
    collect_seldom()
    runpy.run_module("prefect", run_name="__main__", alter_sys=True)
