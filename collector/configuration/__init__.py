"""The estate file: what the site declares, checked as a whole before anything runs.

Read in this order: `faults` (what is wrong, where, what was wanted, what came), `plant` (sites to load
groups), `card_tables`, `channel_tables`, `settings_tables` (how to read, tell and keep), `secrets` (communities, keys and passwords, in a file of
their own), `toml_text` (where in the file), `impossible` (data that physics excludes), `plausibility` (what hardly
any plant is), `people` (who is told when, and on call), `references` (names that must fit together),
`loading` (`load(path)`: all of it, every fault at once), `bank_file` (one bank by itself, for `capacity --bank`),
`centre` (the other file: which sites a centre shows), `card_access` and `history_server` (what it lets us show a card, and where readings go), `changes` (what a changed
file says otherwise), `settings` (the reference of every setting, for the handbook).
"""

from collector.cards.snmp.target import CardTarget
from collector.configuration.faults import ConfigError, ConfigFault
from collector.configuration.loading import CardAccess, Configuration, latest_today, load, load_text
from collector.configuration.settings import Setting, centre_settings, settings_notes, settings_reference

__all__ = [
    "CardAccess",
    "CardTarget",
    "ConfigError",
    "ConfigFault",
    "Configuration",
    "Setting",
    "centre_settings",
    "latest_today",
    "load",
    "load_text",
    "settings_notes",
    "settings_reference",
]
