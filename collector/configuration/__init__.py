"""The estate file: what the site declares, checked as a whole before anything runs.

Read in this order:

1. `collector.configuration.faults`       what is wrong, where, what was wanted, what came
2. `collector.configuration.plant`        the tables that describe plant (sites to load groups)
3. `collector.configuration.collecting`   the tables that say how to read, keep and tell
4. `collector.configuration.secrets`      communities, keys and passwords, in a file of their own
5. `collector.configuration.target`       where a card answers
6. `collector.configuration.toml_text`    a file's text, and the line on which a place stands
7. `collector.configuration.physics`      data that physics excludes
8. `collector.configuration.references`   names that must fit together
9. `collector.configuration.plausible`    what a file may say and hardly any plant is
10. `collector.configuration.hours_covered` hours in which a grave alarm reaches nobody
11. `collector.configuration.loading`     `load(path)`: all of it, every fault at once
12. `collector.configuration.bank_file`   one bank by itself, for `capacity --bank`
13. `collector.configuration.comparing`   what a changed file says otherwise
14. `collector.configuration.settings`    the reference of every setting, for the handbook
"""

from collector.configuration.faults import ConfigError, ConfigFault
from collector.configuration.loading import CardAccess, Configuration, load, load_text
from collector.configuration.settings import Setting, settings_notes, settings_reference
from collector.configuration.target import CardTarget

__all__ = [
    "CardAccess",
    "CardTarget",
    "ConfigError",
    "ConfigFault",
    "Configuration",
    "Setting",
    "load",
    "load_text",
    "settings_notes",
    "settings_reference",
]
