"""What is there and what happens: `demonstration` (invented sites; `estate_text`), `script` and `director` (events), `random_systems`."""
