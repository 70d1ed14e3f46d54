"""Gloaming over HTTP: requests, devices, answers, and the page."""
