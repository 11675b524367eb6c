"""Evaluation runs: asked for with choices, read, worked out by the kernel, written whole or not at all, never edited.

`asking` and `nightly` put runs in line and load no kernel; `job` is what the worker runs, over `data`, `parameters`,
`state` (what the run before left), `checks`, `findings` and `writing`.
"""
