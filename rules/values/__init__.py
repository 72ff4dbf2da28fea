"""Values without a subject: `verdict`, `severity` (answers and what is at stake), `serial` (any of ours as JSON and
back), `altered` (a value with other fields).
"""
