"""What is said of sizes, trends, the programme and sets, one reason a line."""

from datetime import date
from typing import Final

from rules.generator.outage_source import OutageSource
from rules.planning.programme.programme import Job
from rules.plant.estate import Purpose
from rules.values.code import Code
from rules.values.reason import Reason, reason, told

DAY: Final = date(2026, 10, 7)
STEP: Final = reason(Code.LOAD_STEP, before_w=27_000.0, after_w=12_150.0, since=DAY, weeks=15)
STEP_SAID: Final = (
    "The load fell from 27.0 to 12.2 kW about 7 Oct 2026 and stayed there: only the 15 weeks since count."
)
BANK: Final = reason(Code.STATED_BANK, type_name="12 V 18 Ah", cells=240, strings=2)
FANS: Final = reason(Code.JOB, "A1", kind=Job.FANS)
SHORT: Final = reason(Code.RUN_TOO_SHORT, ran=DAY, for_s=600.0)
NEVER: Final = "A run on load of 30 min at 30 % of rating was never seen."

SIZES: Final[tuple[tuple[Reason, str], ...]] = (
    (
        reason(Code.RETIRE_TOO_MUCH, "W1", line=2, limit="va", peak=9_000.0, most=8_000.0),
        "Without W1 and the spare gone, line 2 asks 9.0 of 8.0 kVA at its peak: too much.",
    ),
    (
        reason(
            Code.RETIRE_LITTLE_LEFT,
            "W1",
            line=2,
            limit="w",
            peak=7_600.0,
            most=8_000.0,
            room=0.05,
            wanted=0.1,
        ),
        "Without W1 and the spare gone, line 2 asks 7.6 of 8.0 kW at its peak: only 5 % is left, wanted are 10.",
    ),
    (
        reason(Code.RETIRE_TOO_LITTLE_LATER, "W1", line=2, limit="w", peak=7_000.0, most=8_000.0, years=10.0),
        "Without W1 and the spare gone, line 2 asks 7.0 of 8.0 kW at its peak: enough now, and too little in 10 years.",
    ),
    (
        reason(Code.RETIRE_FITS, "W1", line=2, limit="w", peak=4_000.0, most=8_000.0, room=0.5),
        "Without W1 and the spare gone, line 2 asks 4.0 of 8.0 kW at its peak: 50 % is left.",
    ),
    (reason(Code.RETIRE_BANK, "b1", old_s=899.0), "b1 (14.9 min at the end of its life)"),
    (
        reason(Code.RETIRE_BANK, "b1", old_s=None),
        "b1 (no time that its table prints at the end of its life)",
    ),
    (
        reason(
            Code.RETIRE_BANKS_ENOUGH, banks=(reason(Code.RETIRE_BANK, "b1", old_s=899.0),), required_s=600.0
        ),
        "Bank b1 (14.9 min at the end of its life) then suffices for the 10.0 min required.",
    ),
    (
        reason(
            Code.RETIRE_BANKS_SHORT, banks=(reason(Code.RETIRE_BANK, "b1", old_s=500.0),), required_s=600.0
        ),
        "Bank b1 (8.3 min at the end of its life) would be too small for the 10.0 min required.",
    ),
    (
        reason(Code.RETIRE_BANKS_UNKNOWN, banks=("b1", "b2")),
        "Whether bank b1, b2 then suffices cannot be told.",
    ),
    (BANK, "2 strings of 240 cells of 12 V 18 Ah"),
    (
        reason(
            Code.BANK_TASK,
            units=2,
            peak_w=22_200.0,
            years=10.0,
            required_s=600.0,
            purpose=Purpose.GENERATOR_START,
        ),
        "Each of 2 units is to carry its part of 22.2 kW at the peak, growing for 10 years, for 10.0 min: the longest required, "
        "the generator's start.",
    ),
    (
        reason(Code.BANK_TASK, units=2, peak_w=22_200.0, years=10.0, required_s=600.0, purpose=None),
        "Each of 2 units is to carry its part of 22.2 kW at the peak, growing for 10 years, for 10.0 min: the time given.",
    ),
    (
        reason(
            Code.BANK_WATTS,
            output_w=11_100.0,
            watts=50.0,
            ageing=1.25,
            aged=62.5,
            margin=1.1,
            coldest_c=12.0,
            cold="seen",
        ),
        "11.1 kW out asks 50.0 W of each cell; times 1.25 for ageing to 80 % is 62.5 W, times 1.10 in reserve and over the "
        "factor for the coldest its room was seen to get, 12 °C.",
    ),
    (
        reason(Code.TYPE_NOT_REACHING, type_name="12 V 18 Ah", required_s=36_000.0),
        "12 V 18 Ah: its table does not reach 10.0 h.",
    ),
    (
        reason(
            Code.TYPE_GIVES,
            type_name="12 V 18 Ah",
            factor=0.91,
            asked_w=75.6,
            printed_w=40.0,
            required_s=600.0,
            strings=1,
        ),
        "12 V 18 Ah: over 0.91 for the cold that asks 75.6 W; it gives 40.0 W a cell for 10.0 min: 1 string.",
    ),
    (reason(Code.NO_BLOCKS_IN_PLACE), "No blocks are declared in place."),
    (reason(Code.NO_TIME_REQUIRED), "No time is required of this system: give one."),
    (reason(Code.GROWTH_GIVEN, per_year=0.02), "Growth is taken as given: 2.0 % a year."),
    (reason(Code.NO_TREND_ON_RECORD), "No trend is on record."),
    (reason(Code.NO_GROWTH_COUNTED), "No growth is counted; give one to have it counted."),
    (
        reason(Code.LINE_GROWS_FASTER, line=2, per_year=0.04),
        "Line 2 grows faster, by 4.0 % a year: that is what counts.",
    ),
    (reason(Code.LINE_LOAD_STEP, line=2, step=STEP), f"Line 2: {STEP_SAID}"),
    (
        reason(Code.LOAD_THAT_WENT),
        "Should the load that went come back, these sizes are too small.",
    ),
    (
        reason(
            Code.SIZE_ASKED,
            line=2,
            limit="va",
            peak=7_800.0,
            per_year=0.02,
            years=10.0,
            reserve=0.1,
            left=1,
            units=2,
            usable=0.95,
            needed_va=28_940.0,
        ),
        "Line 2 decides: its peak of 7.8 kVA, growing 2.0 % a year for 10 years, with 10 % in reserve, on 1 of 2 units, each "
        "derated to 95 %, asks 28.9 kVA of each.",
    ),
    (
        reason(
            Code.SIZE_ASKED,
            line=2,
            limit="w",
            peak=7_400.0,
            per_year=0.0,
            years=10.0,
            reserve=0.1,
            left=1,
            units=2,
            usable=1.0,
            needed_va=28_940.0,
        ),
        "Line 2 decides: its peak of 7.4 kW, growing 0.0 % a year for 10 years, with 10 % in reserve, on 1 of 2 units asks 28.9 "
        "kVA of each.",
    ),
    (reason(Code.NO_USUAL_RATING), "No usual rating is enough: more units are needed."),
    (
        reason(Code.LEAST_RATING, rating_va=30_000.0, load_fraction=0.41),
        "30 kVA is the least usual rating that is enough: loaded to 41 % at the peak now.",
    ),
    (
        reason(Code.RATING_AT_FAST_GROWTH, rating_va=50_000.0),
        "Should the load grow as fast as the record allows, 50 kVA would be asked.",
    ),
    (
        reason(Code.SET_TOO_SMALL_FOR_UNITS),
        "The generator is too small for units of that rating by the rule of thumb: ask its maker.",
    ),
    (
        reason(Code.STANDING_LOSSES_MOVE, saved_kwh=18_934.6),
        "Standing losses would be 18935 kWh a year less than now.",
    ),
    (
        reason(Code.STANDING_LOSSES_MOVE, saved_kwh=-2.0),
        "Standing losses would be 2 kWh a year more than now.",
    ),
    (
        reason(Code.ASSUMED_STANDING_LOSSES, fraction=0.03),
        "Standing losses are 3 % of a unit's rated watts at any load.",
    ),
    (
        reason(Code.ASSUMED_SET_OVER_UNITS, times=1.5),
        "A generator should be rated 1.5 times the units it feeds.",
    ),
    (reason(Code.ASSUMED_PEAKS_TOGETHER), "The lines' peaks are taken as if they came together."),
    (
        reason(Code.ASSUMED_ALTITUDE),
        "Ratings are lowered by 5 % for each 1000 m above the first 1000 m.",
    ),
    (
        reason(Code.ASSUMED_BANK_TIMES, bank=BANK, coldest_c=15.0, cold="assumed"),
        "Times on banks are those of 2 strings of 240 cells of 12 V 18 Ah behind each unit: new at 25 degC, and at 80 % of the "
        "published power in the cold (15 °C is assumed: of its room nothing is declared, and no year of it was measured).",
    ),
    (
        reason(Code.ASSUMED_BANK_TIMES, bank=BANK, coldest_c=15.0, cold="declared"),
        "Times on banks are those of 2 strings of 240 cells of 12 V 18 Ah behind each unit: new at 25 degC, and at 80 % of the "
        "published power in the cold (15 °C is assumed: 5 K under what is declared of its room).",
    ),
    (
        reason(Code.ASSUMED_BANK_TIMES, bank=BANK, coldest_c=12.0, cold="seen"),
        "Times on banks are those of 2 strings of 240 cells of 12 V 18 Ah behind each unit: new at 25 degC, and at 80 % of the "
        "published power in the coldest its room was seen to get, 12 °C.",
    ),
    (
        reason(Code.FEW_MONTHS_ON_RECORD, months=7),
        "Only 7 months are on record: a season not yet recorded may be higher.",
    ),
    (
        reason(Code.NOT_CHECKED_ROOM),
        "floor load, room, cooling, cables, breakers and the DC window of the charger",
    ),
    (
        reason(Code.NOT_CHECKED_INRUSH),
        "inrush, harmonics and leading loads; a derating by the room's heat is only what was given",
    ),
    (reason(Code.NOT_CHECKED_PRICES), "prices, deliveries and what one maker's modules allow"),
)

TRENDS: Final[tuple[tuple[Reason, str], ...]] = (
    (STEP, STEP_SAID),
    (
        reason(Code.SEASON_TOO_FEW, months=6, pairs=0),
        "6 months are on record and none has come round a second time: growth and season cannot be told apart until some "
        "fifteen are.",
    ),
    (
        reason(Code.SEASON_TOO_FEW, months=1, pairs=1),
        "1 month is on record and 1 has come round a second time: growth and season cannot be told apart until some fifteen "
        "are.",
    ),
    (
        reason(Code.SEASON_GROWTH, per_year=0.02, low=-0.01, high=0.051, months=24),
        "Season taken off, the load changes by +2.0 % a year (-1.0 to +5.1), by 24 months on record.",
    ),
    (
        reason(Code.SEASON_NOT_CLEAR),
        "That is no clear growth: its interval holds none at all.",
    ),
    (
        reason(Code.SEASON_YEARS_DIFFER),
        "Its years swing at different times: no season can be told yet.",
    ),
    (
        reason(Code.SEASON_HARDLY, fraction=0.05),
        "It has hardly a season: its months lie within 5 %.",
    ),
    (
        reason(Code.SEASON_EXTREMES, highest=7, over=0.2, lowest=1, under=0.18),
        "It is highest in July, 20 % over the year's mean, and lowest in January, 18 % under it.",
    ),
    (
        reason(Code.MARGIN_TOO_FEW_WEEKS, weeks=5, needed=8),
        "5 weeks of load are on record; 8 are needed to see a trend.",
    ),
    (reason(Code.MARGIN_NO_TREND), "Too few weeks to see a trend."),
    (
        reason(Code.MARGIN_TREND, margin_w=3_210.0, per_year_w=-540.0, low_w=-900.0, high_w=-100.0, weeks=60),
        "The margin is 3.21 kW and shrinks by 0.54 kW a year (-0.90 to -0.10), by 60 weeks' worst.",
    ),
    (
        reason(Code.MARGIN_NOT_CLEAR, p=0.23),
        "That is no clear trend (Mann-Kendall p = 0.23): read the date with care.",
    ),
)

PROGRAMME: Final[tuple[tuple[Reason, str], ...]] = (
    (FANS, "Renew fans of A1"),
    (
        reason(
            Code.JOB_DUE, job=FANS, day=DAY, to_order=False, because=reason(Code.SERVICE_NEVER_DONE, "A1")
        ),
        "Renew fans of A1: due by 7 Oct 2026; never recorded as done; reckoned from the day it was put in place.",
    ),
    (
        reason(
            Code.JOB_DUE,
            job=reason(Code.JOB, "A1", kind=Job.REPLACE_UNIT),
            day=DAY,
            to_order=True,
            because=reason(Code.UNIT_DUE, "A1", since=date(2014, 1, 1), life_years=12.0),
        ),
        "Replace unit A1: to be ordered by 7 Oct 2026; in place since 1 Jan 2014; 12 years are reckoned for this cabinet.",
    ),
    (
        reason(
            Code.BANK_DUE,
            "b1",
            fitted=date(2020, 1, 1),
            tested=True,
            fraction=0.83,
            low=0.78,
            high=0.88,
            asked_fraction=2.57,
            age_years=None,
            ends=date(2028, 5, 1),
            early=date(2027, 1, 1),
            late=date(2032, 1, 1),
            too_small=True,
        ),
        "fitted 1 Jan 2020; judged at 83 % (78 to 88); 257 % is asked of it; expected to be worn out about 2028; too small "
        "for it even new: renew it with a larger one.",
    ),
    (
        reason(
            Code.BANK_DUE,
            "b1",
            fitted=date(2020, 1, 1),
            tested=True,
            fraction=0.83,
            low=0.78,
            high=0.88,
            asked_fraction=0.7,
            age_years=7.24,
            ends=date(2028, 5, 1),
            early=date(2027, 1, 1),
            late=date(2032, 1, 1),
            too_small=False,
        ),
        "fitted 1 Jan 2020; judged at 83 % (78 to 88); 70 % is asked of it; 7.2 years old as its heat counts; expected to fall "
        "short about 2028.",
    ),
    (
        reason(
            Code.BANK_DUE,
            "b1",
            fitted=date(2020, 1, 1),
            tested=False,
            fraction=0.83,
            low=0.78,
            high=0.88,
            asked_fraction=None,
            age_years=None,
            ends=None,
            early=None,
            late=None,
            too_small=False,
        ),
        "fitted 1 Jan 2020; reckoned at 83 % (78 to 88).",
    ),
    (
        reason(Code.UNIT_DUE, "A1", since=DAY, life_years=12.0),
        "in place since 7 Oct 2026; 12 years are reckoned for this cabinet.",
    ),
    (
        reason(Code.SERVICE_DUE, "A1", done=DAY, every_years=5.0),
        "last done 7 Oct 2026, every 5 years.",
    ),
    (
        reason(Code.SERVICE_DUE, "A1", done=DAY, every_years=0.25),
        "last done 7 Oct 2026, every 3 months.",
    ),
    (
        reason(Code.SERVICE_NEVER_DONE, "A1"),
        "never recorded as done; reckoned from the day it was put in place.",
    ),
    (reason(Code.BANK_WITHOUT_BLOCKS, "b1"), "Bank b1: no blocks are declared in place."),
    (
        reason(Code.BANK_WITHOUT_DATE, "b1", fitted=DAY),
        "Bank b1: no date can be given yet (fitted 7 Oct 2026).",
    ),
    (
        reason(
            Code.BANK_NOT_JUDGED,
            "b1",
            fitted=DAY,
            from_day=date(2027, 3, 1),
            to_day=date(2034, 1, 1),
            step=told("Import a past test."),
        ),
        "Bank b1: no discharge of it tells enough yet (fitted 7 Oct 2026), which by its age alone comes to its end 2027 to 2034. "
        "Import a past test.",
    ),
    (
        reason(Code.BANK_NOT_JUDGED, "b1", fitted=DAY, from_day=None, to_day=None, step=None),
        "Bank b1: no discharge of it tells enough yet (fitted 7 Oct 2026).",
    ),
    (reason(Code.UNIT_WITHOUT_CABINET, "A1"), "Unit A1: no cabinet is declared in place."),
    (
        reason(Code.SERVICE_WITHOUT_DATE, job=reason(Code.JOB, "A", kind=Job.VISIT)),
        "Service visit to A: never recorded as done; say when it was.",
    ),
    (
        reason(Code.BANK_TOO_SMALL, "b1", asked_fraction=0.7, offers=(told("A larger bank: 2 strings."),)),
        "Bank b1 is too small for the 70 % asked of it; renewing it like for like does not help. A larger bank: 2 strings.",
    ),
    (
        reason(Code.BANK_TOO_SMALL, "b1", asked_fraction=None, offers=()),
        "Bank b1 is too small; renewing it like for like does not help.",
    ),
)

SETS: Final[tuple[tuple[Reason, str], ...]] = (
    (reason(Code.SET_TOOK_LOAD, took_s=18.4), "The site says its generator took the load after 18 s."),
    (
        reason(Code.SET_DID_NOT_CARRY, took_s=18.4),
        "The site says its generator did not carry; supply was back after 18 s.",
    ),
    (
        reason(Code.RETURN_MARKED, took_s=18.4, source=OutageSource.MAINS, by="R. Haugen"),
        "Back after 18 s on the mains, as R. Haugen marked it.",
    ),
    (
        reason(Code.RETURN_BY_FREQUENCY, took_s=18.4, units=2, off_hz=0.74),
        "Back after 18 s; the input then left the mains' band on all 2 units (by 0.7 Hz at the least): a generator.",
    ),
    (
        reason(Code.RETURN_MARKED_UNKNOWN, took_s=18.4, by="R. Haugen"),
        "Returned after 18 s; what fed it is not known, says R. Haugen.",
    ),
    (
        reason(Code.RETURN_UNKNOWN, took_s=18.4),
        "Returned after 18 s, source not known: mark it.",
    ),
    (reason(Code.NO_START_ON_RECORD), "No start of the generator is on record with evidence."),
    (
        reason(Code.STARTS_SEEN, starts=3, longest_s=41.0, declared_s=35.0, beyond=1),
        "3 starts seen, the longest 41 s to supply; 35 s are declared. 1 of them took longer than declared: correct the estate "
        "file.",
    ),
    (
        reason(Code.STARTS_SEEN, starts=3, longest_s=31.0, declared_s=35.0, beyond=0),
        "3 starts seen, the longest 31 s to supply; 35 s are declared.",
    ),
    (
        reason(
            Code.RUN_LAST,
            ran=DAY,
            for_s=2400.0,
            load_w=30_000.0,
            seen_w=None,
            rating_w=80_000.0,
            enough=False,
            due=date(2026, 11, 7),
            short=SHORT,
        ),
        "Last run on load 7 Oct 2026, 40 min at 30 kW, 38% of rating; due 7 Nov 2026. The run of 7 Oct 2026 took 10 min; 30 "
        "are asked.",
    ),
    (
        reason(
            Code.RUN_LAST,
            ran=DAY,
            for_s=2400.0,
            load_w=None,
            seen_w=None,
            rating_w=80_000.0,
            enough=False,
            due=date(2026, 11, 7),
            short=None,
        ),
        "Last run on load 7 Oct 2026, 40 min (its load is not known); due 7 Nov 2026.",
    ),
    (
        reason(
            Code.RUN_LAST,
            ran=DAY,
            for_s=2400.0,
            load_w=None,
            seen_w=8_000.0,
            rating_w=80_000.0,
            enough=False,
            due=date(2026, 11, 7),
            short=None,
        ),
        "Last run on load 7 Oct 2026, 40 min (of its load the cards see but a part: 8 kW, 10% of rating; whether it reached "
        "30 % they do not tell); due 7 Nov 2026.",
    ),
    (
        reason(
            Code.RUN_LAST,
            ran=DAY,
            for_s=2400.0,
            load_w=None,
            seen_w=32_000.0,
            rating_w=80_000.0,
            enough=True,
            due=date(2026, 11, 7),
            short=None,
        ),
        "Last run on load 7 Oct 2026, 40 min (of its load the cards see but a part: 32 kW, 40% of rating, which is enough); due "
        "7 Nov 2026.",
    ),
    (
        reason(Code.RUN_NEVER_SEEN, short=SHORT),
        f"{NEVER} The run of 7 Oct 2026 took 10 min; 30 are asked.",
    ),
    (
        reason(Code.RUN_NEVER_SEEN_SINCE, since=DAY, short=None),
        f"{NEVER} The site tells of the generator since 7 Oct 2026.",
    ),
    (reason(Code.RUNS_NOT_TOLD), f"{NEVER} Nothing tells of its runs."),
    (SHORT, "The run of 7 Oct 2026 took 10 min; 30 are asked."),
    (
        reason(Code.RUN_TOO_LIGHT, ran=DAY, load_w=12_000.0, rating_w=80_000.0),
        "The run of 7 Oct 2026 carried 12 kW, 15% of rating; 30 % are asked.",
    ),
)

SPOKEN: Final = (*SIZES, *TRENDS, *PROGRAMME, *SETS)
