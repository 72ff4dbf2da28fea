"""Commands that judge and print: `capacity` and `capacity_drawing`, `plan`, `plan_signed`, `discharges`, `report`."""
