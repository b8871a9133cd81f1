"""Nothing here is collected but tests: the rest needs the extra ``mutants``."""

collect_ignore_glob = ["faults.py", "near.py", "trial.py", "run.py"]
