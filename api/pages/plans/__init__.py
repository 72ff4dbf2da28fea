"""Plans: `shutdown`, `shutdown_strip`, `signed`, `ride`, `size`, `programme`."""
