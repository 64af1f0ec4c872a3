"""The installed service under a real service manager: see tools/try_unit."""
