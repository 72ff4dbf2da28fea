"""What cards send unasked, taken as a hint to read: `rate_limit` (who may send, and how often), `receiver` (decoded by
pysnmp), `listener` (for the service), `journal` (beside what the polls then showed).
"""
