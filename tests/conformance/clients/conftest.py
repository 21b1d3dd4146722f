"""The programs are a client's, and are not imported here: they stand on packages of their own."""

collect_ignore = ["cookbook.py", "general.py"]
