"""The demonstration season: Pier Road boathouse on a village quay, its rig, its pieces, its site files: all invented.

Everything is drawn from here: no picture, no sound and no data of anybody else's.
"""
