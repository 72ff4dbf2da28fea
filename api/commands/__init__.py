"""One command of the command line a module: `add_arguments(parser)` and `run(options) -> exit code`."""
