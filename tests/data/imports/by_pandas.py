"""Writes the files beside it with pandas, which knows nothing of ours: `python by_pandas.py` in a folder of its own.

Six days of one unit by the quarter of an hour, over the night on which clocks in London are put back; an outage of twelve
minutes with a row every ten seconds. `truth.json` holds what pandas itself makes of the figures: UTC moments, sums and means.
Written with pandas 3 and pyarrow 26.
"""

import json
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np

pd: Any = import_module("pandas")  # not a package of ours, nor of the tests'

START, END, ZONE = "2025-10-23", "2025-10-29", "Europe/London"
quiet = pd.date_range(START, END, freq="15min", tz=ZONE, inclusive="left")
outage = pd.date_range("2025-10-27 10:00:10", periods=72, freq="10s", tz=ZONE)
at = quiet.union(outage)
away = at.isin(outage)
hour = at.hour + at.minute / 60
load = 4.0 + 1.5 * np.sin((hour - 8) / 24 * 2 * np.pi)
since = np.where(away, (at - outage[0]).total_seconds(), 0.0)
volts = np.where(away, 482.0 - 0.055 * since - 0.4 * (since / 200) ** 2, 545.0)
frame = pd.DataFrame(
    {
        "kW L1": load.to_numpy().round(3),
        "kW L2": (load * 1.02).to_numpy().round(3),
        "kW L3": (load * 0.97).to_numpy().round(3),
        "kVA L1": (load / 0.95).to_numpy().round(3),
        "kVA L2": (load * 1.02 / 0.95).to_numpy().round(3),
        "kVA L3": (load * 0.97 / 0.95).to_numpy().round(3),
        "V L1": 230.4, "V L2": 229.8, "V L3": 231.1,
        "Ubat dV": (volts * 10).round(0),
        "Room F": (71.6 + 1.8 * np.sin((hour - 14) / 24 * 2 * np.pi)).to_numpy().round(1),
        "battery": away.astype(int),
    },
    index=at,
)  # fmt: skip
frame.loc[frame.index[5], "Room F"] = np.nan
shown = frame.copy()
shown.index = pd.DatetimeIndex(frame.index.tz_localize(None), name="clock")
shown.to_csv("by_pandas.csv", sep=";", decimal=",")
frame.rename_axis("clock").reset_index().to_parquet("by_pandas.parquet", compression="zstd", index=False)
by_quarter = frame["kW L1"].tz_convert("UTC").resample("15min").mean().mul(1000.0)
truth = {
    "rows": len(frame),
    "first": frame.index[0].tz_convert("UTC").isoformat(),
    "last": frame.index[-1].tz_convert("UTC").isoformat(),
    "watts_1_by_quarter": {t.isoformat(): round(w, 3) for t, w in by_quarter.items()},
    "volts_least": round(float(frame["Ubat dV"].min()) / 10, 1),
    "temperature_c_mean": round(float(((frame["Room F"] - 32) / 1.8).mean()), 4),
    "away_from": outage[0].tz_convert("UTC").isoformat(),
    "away_until": outage[-1].tz_convert("UTC").isoformat(),
}
Path("truth.json").write_text(json.dumps(truth, indent=0), encoding="utf-8")
