"""The table against the text of RFC 1628."""

import re
from collections import Counter
from pathlib import Path

from collector.cards.mib import upsmib
from collector.cards.mib.upsmib import ALARMS, BY_NAME, NOTIFICATIONS, OBJECTS, TablePart
from rules.plant.reading import OutputSource

ROOT = Path(__file__).resolve().parents[4]


def test_names_and_places_are_each_used_once() -> None:
    assert max(Counter(o.name for o in OBJECTS).values()) == 1
    assert max(Counter(o.oid for o in OBJECTS).values()) == 1


def test_a_reading_of_a_three_phase_unit_takes_these_objects() -> None:
    groups = Counter(name.split(".")[0] for name in upsmib.standard_places(TablePart.LIVE))
    assert groups["upsOutputVoltage"] == 3
    assert upsmib.standard_places(TablePart.LIVE)["upsOutputPower.2"] == "1.3.6.1.2.1.33.1.4.4.1.4.2"
    assert upsmib.standard_places(TablePart.LIVE)["sysUpTime"] == "1.3.6.1.2.1.1.3.0"


def test_the_enumeration_counts_not_the_compliance_clause() -> None:
    assert upsmib.OUTPUT_SOURCE[3] is OutputSource.NORMAL
    assert upsmib.OUTPUT_SOURCE[5] is OutputSource.BATTERY


def test_there_are_twenty_four_alarms_and_four_notifications_in_both_forms() -> None:
    assert len(ALARMS) == 24
    assert ALARMS["1.3.6.1.2.1.33.1.6.3.20"] == "upsAlarmCommunicationsLost"
    assert ALARMS["1.3.6.1.2.1.33.1.6.3.24"] == "upsAlarmTestInProgress"
    assert NOTIFICATIONS["1.3.6.1.2.1.33.2.1"] == NOTIFICATIONS["1.3.6.1.2.1.33.2.0.1"] == "upsTrapOnBattery"


def test_minutes_become_seconds_and_tenths_become_volts() -> None:
    assert BY_NAME["upsEstimatedMinutesRemaining"].scale == 60.0
    assert BY_NAME["upsBatteryVoltage"].scale == 0.1
    assert BY_NAME["upsOutputVoltage"].scale == 1.0


def test_the_bypass_is_read_slowly_and_the_control_group_never() -> None:
    assert BY_NAME["upsBypassVoltage"].part is TablePart.SLOW
    assert all(o.part is None for o in OBJECTS if o.oid.startswith("1.3.6.1.2.1.33.1.8."))


def test_there_is_no_set_request_anywhere() -> None:
    for path in (*(ROOT / "collector").rglob("*.py"), *(ROOT / "api").rglob("*.py")):
        text = path.read_text(encoding="utf-8")
        assert not re.search(r"0xA3|SetRequest|set_request|SET_REQUEST|setCmd|set_cmd", text), path
