"""The third source of what is shown: what sites say of themselves, joined under their names. It judges nothing.

`naming` (a site's name before its things), `record` (all journals in one ledger), `site_said` (what one site said last, and
whether it is still heard), `joined` (all sites as one estate, what is quiet shown as such), `at_the_site` (what is asked at a
site, and why not here), `acting` (what people do, as what a site is asked), `source` (the whole in the shape of a running service).
"""
