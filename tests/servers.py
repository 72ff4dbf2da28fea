"""Real programs beside the project: where one is missing, CI fails and a person's machine skips the test."""

import os
import shutil

import pytest


def need_program(name: str) -> str:
    """Return the path of a program; where it is missing skip the test, or fail it where CI is set."""
    found = shutil.which(name, path=os.environ.get("PATH", "") + ":/usr/sbin:/sbin")
    if found is None:
        missing(f"{name} is not installed")
    assert found is not None
    return found


def missing(what: str) -> None:
    """Skip the test for want of `what`, or fail it where CI is set: there everything is installed."""
    if os.environ.get("CI"):
        pytest.fail(f"{what}; CI needs it")
    pytest.skip(what)
