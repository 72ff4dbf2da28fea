"""The score's file in the demonstration's own folder, so that a restart forgets no hit and no miss.

JSON: the predictions and outcomes as they were counted; the score is worked out from them again. A file
that cannot be read is a fault of the demonstration's and is raised.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from rules.system.forecast_score import Outcome, Prediction

SCORE_FILE: Final = "score.json"


def load_score(folder: Path) -> tuple[list[Prediction], list[Outcome]]:
    """Return what was counted before in this folder; nothing where nothing was."""
    file = folder / SCORE_FILE
    if not file.exists():
        return [], []
    kept = json.loads(file.read_text())
    return (
        [Prediction(**_dated(line)) for line in kept["predictions"]],
        [Outcome(**_dated(line)) for line in kept["outcomes"]],
    )


def save_score(folder: Path, predictions: Sequence[Prediction], outcomes: Sequence[Outcome]) -> None:
    """Keep what was counted; a kill leaves the file before it or this one."""
    lines = {
        "predictions": [asdict(p) for p in predictions],
        "outcomes": [asdict(o) for o in outcomes],
    }
    fresh = folder / f"{SCORE_FILE}.new"
    fresh.write_text(json.dumps(lines, default=datetime.isoformat, indent=1) + "\n")
    fresh.replace(folder / SCORE_FILE)


def _dated(line: dict[str, Any]) -> dict[str, Any]:
    return {**line, "at": datetime.fromisoformat(line["at"])}
