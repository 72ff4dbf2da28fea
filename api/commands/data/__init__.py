"""Commands about what is kept: `import_`, `replaced`, `visited`, `backup`, `export`, `verify`, `test_delivery`."""
