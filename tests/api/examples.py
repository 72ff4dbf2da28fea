"""Examples of what the HTTP interface answers: taken by a test, kept beside it, and shown in the reference.

`EXAMPLES=write pytest tests/api/test_examples.py` writes them anew. Of a list the first entry stands for the rest.
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from api.app import openapi

FOLDER: Final = Path(__file__).resolve().parents[1] / "data" / "answers"
FIGURES: Final = 4
NEAR: Final = 0.005
DRAWN: Final = re.compile(r"[0-9a-f]{16}")
ANY_ID: Final = "5af959ed3cb12f9b"
"""An id that is drawn anew each time, and what stands for it."""


AS_ANOTHER: Final = {
    ("POST", "/v1/alarms/{alarm}/acknowledge"): ("POST", "/v1/alarms/{alarm}/note"),
    ("POST", "/v1/alarms/{alarm}/reset"): ("POST", "/v1/alarms/{alarm}/note"),
}
"""What answers as another path does."""
DOCUMENT: Final = openapi()


def in_json() -> Iterator[tuple[str, str]]:
    """Yield every method and path that answers in JSON."""
    for path, methods in DOCUMENT["paths"].items():
        for method, told in methods.items():
            good = [answer for status, answer in told["responses"].items() if status.startswith("2")]
            if any("application/json" in answer.get("content", {}) for answer in good):
                yield method.upper(), path


def schema_of(method: str, path: str) -> dict[str, Any]:
    """Return the form of a path's answer, as the document has it."""
    answers = DOCUMENT["paths"][path][method.lower()]["responses"]
    (content,) = [a["content"] for s, a in answers.items() if s.startswith("2") and "content" in a]
    return {**content["application/json"]["schema"], "components": DOCUMENT["components"]}


def slug(method: str, path: str) -> str:
    """Return the name of the file of a path's example."""
    return method.lower() + re.sub(r"[^a-z0-9]+", "-", path.lower()).rstrip("-")


def shortened(value: Any) -> Any:
    """Return an answer with one entry of each list, and figures of four digits: what a reader needs, and no chip changes."""
    if isinstance(value, dict):
        return {key: shortened(one) for key, one in value.items()}
    if isinstance(value, list):
        return [shortened(one) for one in value[:1]]
    if isinstance(value, float):
        return float(f"{value:.{FIGURES}g}")
    return ANY_ID if isinstance(value, str) and DRAWN.fullmatch(value) else value


def differences(kept: Any, made: Any, place: str = "") -> list[str]:
    """Return where an answer is not as it was kept; figures may be off by what another chip makes of them."""
    if isinstance(kept, dict) and isinstance(made, dict) and kept.keys() == made.keys():
        return [one for key in kept for one in differences(kept[key], made[key], f"{place}.{key}")]
    if isinstance(kept, list) and isinstance(made, list) and len(kept) == len(made):
        return [
            d
            for n, (k, m) in enumerate(zip(kept, made, strict=True))
            for d in differences(k, m, f"{place}[{n}]")
        ]
    if type(kept) is float or type(made) is float:
        same = isinstance(kept, int | float) and isinstance(made, int | float)
        return (
            []
            if same and abs(kept - made) <= NEAR * max(abs(kept), abs(made))
            else [f"{place}: {kept} {made}"]
        )
    return [] if kept == made else [f"{place}: {kept!r} {made!r}"]


def held(method: str, path: str, made: Any) -> list[str]:
    """Return where an answer differs from its kept example; with EXAMPLES=write keep it."""
    file, short = FOLDER / f"{slug(method, path)}.json", shortened(made)
    if os.environ.get("EXAMPLES") == "write":
        file.parent.mkdir(exist_ok=True)
        file.write_text(json.dumps(short, indent=1, ensure_ascii=False) + "\n", "utf-8")
    if not file.is_file():
        return [f"{method} {path}: no example is kept"]
    kept = json.loads(file.read_text("utf-8"))
    return [f"{method} {path}{one}" for one in differences(kept, short)]
