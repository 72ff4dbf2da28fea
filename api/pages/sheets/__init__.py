"""The pages: `overview` (with `during`), `system_sheet`, `unit_sheet` (with `unit_card`), `bank_sheet`, `alarm_sheet`, `wall`,
`outages_sheet`, `report` (with its `front_page`); `registry` (by address); `sign_in` (who may see them), `answer_page` (behind a message's link).
"""
