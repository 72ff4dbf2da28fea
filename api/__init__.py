"""What people and programs see: HTTP, live stream, page, command line. Asks `collector.service` only.

Read in this order: `commands` (the command line), `serve` (the service and its server as one), `exit_deadline` (and their end
in time), `rereading` (the estate file looked at again), `app` (the HTTP application), `http` (how much may be asked,
how slowly, and the forms of answers), `access` (who may look and act), `routes` (one resource a module), `pages` (the sheets).
"""
