"""What every process of the service does alike: systemd's notices, the log, private files."""
