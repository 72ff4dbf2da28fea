"""Learn the shape of discharge voltage from complete records of many products, and write it down.

    python -m tests.bench.learn_prior FOLDER > rules/battery/discharge/curve/prior_table.py

FOLDER holds truth.json and one CSV per record, all full discharges of different products. Each record is
also read as if its end voltage had been higher, since the voltage along a discharge does not depend on
where somebody stops it; what the published time would be there follows from the sound banks among them.
"""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

from rules.battery.discharge.curve import voltage
from rules.battery.discharge.curve.voltage import (
    KNOTS,
    Prior,
    VoltageCourse,
    course_of,
    hat_matrix,
    health_at_mean_rate,
)
from rules.battery.discharge.record.clean_discharge import Battery
from rules.battery.discharge.record.log import clean
from rules.battery.model.runtime_curve import Floats, curve_through
from rules.values.verdict import Basis
from tests.bench.discharge_sets import Record, read_set

END_VOLTAGES = (1.67, 1.70, 1.73, 1.76, 1.80)
COMPONENTS = 14
RIDGE = 0.3
SMOOTH = 0.25


def at_knots(course: VoltageCourse, health: float, share: float, end_v: float, mean: Floats | None) -> Floats:
    """Return the voltage above `end_v` at the knots of s / (share of health), at the mean load."""
    slope = voltage.rate_slope(health)
    x = course.used / (health + slope * (course.ln_hours - course.mean_ln_hours))
    volts = course.voltage_v.copy()
    if mean is not None:
        volts -= load_shift(course, health, x, mean)
    x = x / share
    inside = (x >= KNOTS[0]) & (x <= 1.0)
    hats = hat_matrix(x[inside])
    bend = np.diff(np.eye(len(KNOTS)), 2, axis=0)
    stiff = 3e-4 * np.trace(hats.T @ hats) / len(KNOTS) * bend.T @ bend + 1e-9 * np.eye(len(KNOTS))
    return np.asarray(np.linalg.solve(hats.T @ hats + stiff, hats.T @ (volts[inside] - end_v)))


def load_shift(course: VoltageCourse, health: float, x: Floats, mean: Floats) -> Floats:
    """Return how far each row's load moves its voltage from that at the mean load."""

    def level(rate: Floats) -> Floats:
        rows = voltage.features(
            rate,
            health,
            temperature_c=course.temperature_c,
            end_v=course.end_v,
            traits=course.traits,
        )
        return np.asarray(np.einsum("bf,fk,bk->b", rows, mean, hat_matrix(x)))

    return level(course.ln_hours) - level(np.full_like(course.ln_hours, course.mean_ln_hours))


def shares(course: VoltageCourse, health: float, end_v: float, mean: Floats | None) -> float | None:
    """Return the share of the run at which the load-corrected voltage falls under a higher end voltage."""
    if abs(end_v - course.end_v) < 1e-6:
        return 1.0
    x = course.used / (health + voltage.rate_slope(health) * (course.ln_hours - course.mean_ln_hours))
    volts = course.voltage_v - (0.0 if mean is None else load_shift(course, health, x, mean))
    k = max(1, len(volts) // 60)
    volts = np.convolve(np.pad(volts, k, mode="edge"), np.full(2 * k + 1, 1.0 / (2 * k + 1)), "valid")
    below = np.flatnonzero((volts < end_v) & (x > 0.3))
    if len(below) == 0 or x[below[0]] < 0.35:
        return None
    j = int(below[0])
    return float(np.interp(-end_v, [-volts[j - 1], -volts[j]], [x[j - 1], x[j]]))


def rows_of(records: list[Record], mean: Floats | None) -> tuple[Floats, Floats, Floats, Floats]:
    """Return features, voltages at the knots, weights and (ln hours, health, end voltage) of all records."""
    feature_rows, volts, weights, places = [], [], [], []
    for record in records:
        curve = curve_through(record.table, record.end_v, Basis.TABLE)
        battery = Battery(record.cells, record.strings, record.end_v, curve)
        course = course_of(replace(clean(record.log, battery), ended_s=record.end_s), battery, curve)
        if mean is None and record.load != "constant":
            continue
        health = health_at_mean_rate(course)
        found = [(v, shares(course, health, v, mean)) for v in END_VOLTAGES if v > record.end_v - 1e-6]
        kept = [(v, share) for v, share in found if share is not None]
        for end_v, share in kept:
            ratio = float(
                voltage.ln_time_ratio(course.mean_ln_hours, end_v)
                - voltage.ln_time_ratio(course.mean_ln_hours, record.end_v)
            )
            rate, h = course.mean_ln_hours + ratio, health * share / np.exp(ratio)
            feature_rows.append(
                voltage.features(
                    rate, h, temperature_c=course.temperature_c, end_v=end_v, traits=course.traits
                )
            )
            volts.append(at_knots(course, health, share, end_v, mean))
            weights.append(1.0 / len(kept))
            places.append((rate, h, end_v))
    return np.array(feature_rows), np.array(volts), np.array(weights), np.array(places)


def fit_mean(rows: Floats, volts: Floats, weights: Floats) -> tuple[Floats, Floats]:
    """Return the mean (features x knots) and the leverage of each row."""
    ridge = np.diag([1e-6] + [RIDGE] * (rows.shape[1] - 1))
    normal = rows.T @ (rows * weights[:, None]) + ridge
    mean = np.linalg.solve(normal, rows.T @ (volts * weights[:, None]))
    return np.asarray(mean), np.einsum("ij,jk,ik->i", rows, np.linalg.inv(normal), rows)


def learn(records: list[Record]) -> Prior:
    """Return the prior that records of many products teach."""
    rows, volts, weights, places = rows_of(records, None)
    mean, leverage = fit_mean(rows, volts, weights)
    for _ in range(2):
        rows, volts, weights, places = rows_of(records, mean)
        mean, leverage = fit_mean(rows, volts, weights)
    deviations = volts - rows @ mean
    fair = deviations / np.sqrt(np.maximum(1.0 - 3.0 * leverage * weights, 0.4))[:, None]
    sample = (fair * weights[:, None]).T @ fair / weights.sum()
    sd = np.sqrt(np.diag(sample))
    apart = np.abs(KNOTS[:, None] - KNOTS[None])
    near = 0.55 + 0.3 * np.exp(-0.5 * (apart / 0.35) ** 2) + 0.15 * np.exp(-0.5 * (apart / 0.1) ** 2)
    covariance = (1.0 - SMOOTH) * sample + SMOOTH * np.outer(sd, sd) * near
    return Prior(mean, covariance, deviations, places[:, 0], places[:, 1], places[:, 2], weights)


def written(model: Prior, source: str) -> str:
    """Return the text of the module that ships the prior."""
    left, singular, right = np.linalg.svd(model.deviations, full_matrices=False)
    basis = right[:COMPONENTS] * 10.0
    scores = left[:, :COMPONENTS] * singular[:COMPONENTS] / 10.0
    places = (model.ln_hours, model.health, model.end_v, model.weight)
    donors = np.column_stack([*places, np.round(scores * 1e3, 2)])
    blocks = {
        "MEAN": (np.round(model.mean * 1e4, 1), "features x knots, 1e-4 V"),
        "COVARIANCE": (np.round(model.covariance * 1e8), "knots x knots, 1e-8 V2"),
        "BASIS": (np.round(basis * 1e4), "components x knots, 1e-4"),
        "DONORS": (np.round(donors, 3), "ln hours, health, end voltage, weight, scores in 1e-3"),
    }
    lines = [
        '"""The shape of discharge voltage before any discharge of a type is known: numbers only.',
        "",
        f"Written by tests/bench/learn_prior.py from {source}.",
        "Read by `rules.battery.discharge.curve.voltage`. Do not edit by hand.",
        '"""',
        "",
        "# fmt: off",
    ]
    for name, (block, what) in blocks.items():
        lines += ["", f"# {what}", f'{name} = """']
        lines += [" ".join(f"{v:g}" for v in row) for row in block]
        lines += ['"""']
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    folder = Path(sys.argv[1])
    everything = read_set(folder)
    sys.stdout.write(
        written(
            learn(everything), f"{len(everything)} complete simulated discharges, each of another product"
        )
    )
