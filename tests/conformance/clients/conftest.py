"""The program is a client's, and is not imported here: it stands on a package yet to be made."""

collect_ignore = ["cookbook.py"]
