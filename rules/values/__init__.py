"""Values without a subject: `constants`, `verdict`, `severity` (answers and what is at stake), `reason` and its `code` (why something
is so), `advice` (what to do), `serial` (any of ours as JSON and back), `altered` (a value with other fields).
"""
