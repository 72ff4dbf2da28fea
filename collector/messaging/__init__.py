"""Messages to people and machines, from the outbox until acknowledged.

`delivery` (whom, when, how often, in what words, until when), `channels` (mail, webhook, command, heartbeat), `mqtt`
(state published, the site's word on its generators, other collectors), `centre` (what a centre of several sites is told); `payloads` (the form of all that is sent).
"""
