"""The pages: `overview`, `system_sheet`, `unit_sheet`, `bank_sheet`, `alarm_sheet`, `report`; `registry` (by address)."""
