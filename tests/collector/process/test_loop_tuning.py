"""The event loop gets its turn soon: what a process that serves has set once it is up."""

import gc
import sys
from collections.abc import Iterator

import pytest

from collector.process.loop_tuning import TURN_S, favour_the_loop


@pytest.fixture
def _as_before() -> Iterator[None]:
    before_s = sys.getswitchinterval()
    yield
    sys.setswitchinterval(before_s)
    gc.unfreeze()


@pytest.mark.usefixtures("_as_before")
def test_turns_are_short_and_what_is_loaded_is_not_collected_over_and_over() -> None:
    favour_the_loop()
    assert sys.getswitchinterval() == pytest.approx(TURN_S)
    assert gc.get_freeze_count() > 10_000
    # a collection now looks at what came since, and no more
    assert len(gc.get_objects()) < 0.1 * gc.get_freeze_count()
