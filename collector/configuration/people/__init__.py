"""People in the estate file: `tables` (who, told what and when, by what way, on call in turn), `shared` (those that several sites share), `hours` (one line of
hours), `turn` (one stretch of being on call), `rota_calendar` and `rota` (who is on call when), `people` (all of it as one value), `hours_covered` (hours in which nobody is told).
"""
