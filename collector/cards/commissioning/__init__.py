"""Cards found, looked at and confirmed by a person: `survey`, `probe`, `identify` (which cabinet a card belongs to),
`confirmations`, `confirmation_feed` (what people prove while the service runs).
"""
