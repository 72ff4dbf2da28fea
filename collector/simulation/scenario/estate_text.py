"""The demonstration's estate file as text: what no table of the scenario holds."""

from __future__ import annotations

from typing import Final

HEAD: Final = """\
# The demonstration's estate: Marrowdale Water, a company that does not exist.
# Its cards are simulated and answer on this machine only.

[page]
title = "Marrowdale Water"
"""


SYSTEMS: Final = """
[[system]]
id = "ossenby"
name = "Ossenby operations room"
site = "ossenby-site"
supply = "ossenby-mains"
board = "Ossenby board C"
spare_units = 1
requirements = [
    { id = "set", for = "generator_start" },
    { id = "by-hand", for = "manual_generator_start" },
]

[[system]]
id = "brackmere"
name = "Brackmere filtration"
site = "brackmere-site"
supply = "brackmere-mains"
board = "Brackmere board 2"
spare_units = 1
requirements = [
    { id = "set", for = "generator_start" },
    { id = "by-hand", for = "manual_generator_start" },
]

[[system]]
id = "tollwick"
name = "Tollwick yard"
site = "tollwick-site"
supply = "tollwick-mains"
spare_units = 0
requirements = [{ id = "close-down", for = "orderly_shutdown", required_s = 600 }]"""


LOAD_GROUPS: Final = """
[[load_group]]
id = "ossenby-desks"
system = "ossenby"
watts = [1200, 1400, 900]
importance = 4
shed_by = "duty controller, panel C4"

[[load_group]]
id = "ossenby-telemetry"
system = "ossenby"
watts = [4100, 4500, 3900]
importance = 1

[[load_group]]
id = "brackmere-sampling"
system = "brackmere"
watts = [900, 2100, 600]
importance = 5
shed_by = "shift chemist, panel 2B"

[[load_group]]
id = "brackmere-controls"
system = "brackmere"
watts = [7200, 7800, 7000]
importance = 1"""


FOOT: Final = """
[watch]
box_fed_by = "ossenby"
switches_fed_by = "ossenby"
way_out_fed_by = "ossenby"

[polling]
every_s = 5
on_battery_every_s = 2

[secrets]
file = "{secrets}"
"""
