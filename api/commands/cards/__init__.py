"""Commands about cards: `survey`, `probe`, `confirm`, `begin` with its `first_file`; `credentials` (what they show a card)."""
