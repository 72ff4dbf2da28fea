"""What is said of banks before they were judged: nothing, unless it is urgent or judging takes too long."""

import asyncio
from dataclasses import replace
from datetime import UTC, datetime

from collector.clock import TurnedClock
from collector.judging import JUDGED_WITHIN_S, Judging
from collector.present import Present
from collector.worker import Worker
from tests.rules.plants import estate, reading

START = datetime(2026, 3, 1, 12, tzinfo=UTC)


async def test_age_alone_is_not_spoken_of_until_judging_took_too_long() -> None:
    plant = estate()
    clock = TurnedClock(START)
    told: asyncio.Queue[object] = asyncio.Queue()
    judging = Judging(plant, Worker(), clock, Present(plant), told.put)
    unit = next(iter(plant.units))
    judging.carry(replace(reading(unit), unit=unit))
    bank = plant.banks_of(unit)[0].id
    assert bank in judging.beliefs
    assert judging.spoken_beliefs() == {}
    assert bank in judging.spoken_beliefs(urgent=True)
    judging.believe(judging.beliefs[bank])
    assert list(judging.spoken_beliefs()) == [bank]
    other = Judging(plant, Worker(), clock, Present(plant), told.put)
    other.carry(replace(reading(unit), unit=unit))
    await clock.advance(JUDGED_WITHIN_S + 1.0)
    assert bank in other.spoken_beliefs()
