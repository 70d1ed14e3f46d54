"""What is played: frame files, the rig, the demonstration season. Imports nothing else of ours; never reads a clock."""
