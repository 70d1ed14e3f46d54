"""What is played, and on what. It imports neither the daemon nor the API, and reads no clock."""
