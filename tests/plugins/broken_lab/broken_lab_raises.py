raise RuntimeError("not on this machine")
