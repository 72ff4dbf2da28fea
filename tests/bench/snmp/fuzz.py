"""Coverage-guided fuzzing of codec, USM and decoder with atheris, which is installed for this alone.

`python -m tests.bench.snmp.fuzz CORPUS_FOLDER -max_total_time=3600`: what it finds becomes a test.
"""

import sys
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["collector.cards.snmp"]):
    from tests.collector.cards.mutations import seeds, take


def _one(data: bytes) -> None:
    take(data)


def main() -> None:
    """Write the true messages as first corpus, and let atheris work from there."""
    folders = [Path(arg) for arg in sys.argv[1:] if not arg.startswith("-")]
    if folders:
        folders[0].mkdir(parents=True, exist_ok=True)
        for number, seed in enumerate(seeds()):
            (folders[0] / f"true-{number}").write_bytes(seed)
    atheris.Setup(sys.argv, _one)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
