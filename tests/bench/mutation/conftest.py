"""What needs mutmut is run by hand, not collected."""

collect_ignore = ["run.py", "score.py"]
