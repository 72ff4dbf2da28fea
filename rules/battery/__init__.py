"""Battery physics of a lead-acid bank, one topic a module."""
