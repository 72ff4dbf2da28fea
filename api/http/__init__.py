"""Requests and answers, whatever they are about.

`access` (under which names), `doors`, `connection` and `tls` (how much comes in, how slowly, from how many at once), `problems`
(errors, RFC 9457), `said` (names and notes), `forms`, `form_body`, `scenario_body` and `shutdown_body` (what is asked), `json`, `answer_forms`
(values as the interface has them), `schemas`, `metrics`, `sparing` (what need not be sent of an answer).
"""
