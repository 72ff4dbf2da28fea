"""What is there and what happens: `estate_file` (invented sites), `script` and `director` (events), `random_systems`."""
