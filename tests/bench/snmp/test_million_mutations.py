"""A million damaged messages through codec, USM and decoder: only the documented error.

`pytest tests/bench/snmp/test_million_mutations.py -s` (some minutes); RIDETHROUGH_CASES sets another number.
"""

import os
from itertools import islice
from time import monotonic

from tests.collector.cards.mutations import mutations, take

CASES = int(os.environ.get("RIDETHROUGH_CASES", "1000000"))


def test_a_million_damaged_messages() -> None:
    began, taken = monotonic(), 0
    for number, case in enumerate(islice(mutations(seed=1), CASES)):
        try:
            taken += bool(take(case))
        except Exception as error:
            raise AssertionError(f"case {number}: {case.hex()}") from error
    print(f"\n{CASES} cases in {monotonic() - began:.0f} s, {taken} of them taken by one target or more")
