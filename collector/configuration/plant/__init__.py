"""The tables of the estate file that describe plant, and the rules' values made from them.

Each class is one table; `Field(description=...)` is the handbook's text. A value that no plant can have
is refused here; what needs two settings to judge is in `impossible`, what needs two tables in `references`.
Read in this order: `values` (what may stand in a table), `sites`, `units`, `banks`.
"""

from collector.configuration.plant.banks import BankTable
from collector.configuration.plant.sites import (
    GeneratorTable,
    LoadGroupTable,
    SiteTable,
    SupplyTable,
    SystemTable,
    WatchTable,
)
from collector.configuration.plant.units import UnitTable
from collector.configuration.plant.values import PlantTable

__all__ = [
    "BankTable",
    "GeneratorTable",
    "LoadGroupTable",
    "PlantTable",
    "SiteTable",
    "SupplyTable",
    "SystemTable",
    "UnitTable",
    "WatchTable",
]
