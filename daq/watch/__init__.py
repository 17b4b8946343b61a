"""Keeping an eye on the daemon: for the service manager, for probes and dashboards, and for whoever reads its log."""
