"""What needs mutmut is run by hand, not collected."""

collect_ignore = ["rooms.py", "run.py", "score.py"]
