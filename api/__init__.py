"""What people and programs see: HTTP, live stream, page, command line. Asks `collector.service` only.

Read in this order: `command` (the command line; one module each in `commands`), `serve` (the service and its server
as one), `ending` (and their end in time), `rereading` (the estate file looked at again), `app` and `access` (the HTTP
application and who may ask), `doors` and `connection` (how much comes in, how slowly, from how many at once),
`problems` (errors), `said` (names and notes), `routes` (one resource a module), `json` (values as the interface has
them), `metrics`, `sheet` and `showing` (what the pages show, built from the service), `pages` (the sheets), `live` (the
stream).
"""
