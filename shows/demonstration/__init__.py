"""The demonstration season: Pier Road boathouse on a village quay, with rig, pieces and site files. All is invented.

This code draws all of it. It uses no picture, sound or data of anybody else.
"""
