"""Commands about cards: `survey`, `probe`, `confirm`; `credentials` (what they show a card)."""
