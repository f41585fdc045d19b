"""Starts the app: navigation only."""

from diagnose.screens.start import navigate

navigate()
