"""Commands about what is kept: `import_`, `import_readings`, `replaced`, `visited`, `backup`, `export`, `verify`, `test_delivery`."""
