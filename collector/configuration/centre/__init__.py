"""The file of a centre of several sites: `file` (which sites, by which brokers, where its page is served), `together` (held against the sites' own)."""
