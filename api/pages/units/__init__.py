"""Whether a unit can be lost or isolated: `redundancy`, `ruler`, `isolation`, `work` (on a unit),
and how one went: `past`."""
