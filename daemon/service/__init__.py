"""What all processes of the service share: notices to systemd, the log, private files."""
