"""The page: server-rendered sheets and their drawings."""
