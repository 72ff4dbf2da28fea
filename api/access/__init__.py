"""Who may look and who may act.

Read in this order: `roles` (the three roles, and what each path needs, in one table), `terms` (what a server was told:
proxies, times, what a password costs), `callers` (who asks, by what means), `peers` (whose the other end of a connection
is), `tries` (how often somebody may be wrong), `passwords`, `refusals` (who was refused, in the log), `passed_on` (acts that a centre hands on), `gate` (the layer that lets in or refuses), `signing_in`,
`openid` (a provider that vouches for people).

On loopback, while there is neither a user nor a token, everybody on the machine may look, as it always was, and only
whoever runs the service may act: the kernel says whose the other end of a connection is. As soon as there is a user or
a token nobody is let in unknown, and what somebody is called is no longer what they say.
"""
