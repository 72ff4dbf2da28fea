"""Values without a subject: `serial` (any of ours as JSON and back), `altered` (a value with other fields)."""
