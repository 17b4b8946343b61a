"""A campaign of faults: what becomes of results when what the daemon needs, or the daemon itself, fails."""
