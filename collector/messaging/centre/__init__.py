"""What a site tells a centre, and what the centre hears of its sites: by a broker, one way but for what it has.

`parts` (what is told, as JSON both ways), `site_feed` (the site's side: what is new goes out, the journal until it is had),
`sites_heard` (the centre's side: a connection that hands on what it hears, and says what it has). What people do at the centre goes to a
site by the site's own HTTP interface, and by no broker: `acts` (one act, and how it stands), `handing_on` (tried until it is answered).
"""
