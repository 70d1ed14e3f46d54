"""What an owner does at /setup."""
