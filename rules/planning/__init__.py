"""Plans played out before anybody touches a switch."""
