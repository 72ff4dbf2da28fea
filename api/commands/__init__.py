"""The command line: `main`, and one command a module: `add_arguments(parser)` and `run(options) -> exit code`.

`run`, `demo` and `check`; `cards` (found and confirmed), `data` (what is kept), `reports` (judged and printed).
"""
