"""What is there and what happens: `estate_file` (invented sites; `estate_text`), `script` and `director` (events), `random_systems`."""
