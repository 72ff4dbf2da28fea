"""Commands about what is kept: `import_`, `import_readings`, `import_back`, `replaced`, `visited`, `backup`, `export`, `verify`, `test_delivery`."""
