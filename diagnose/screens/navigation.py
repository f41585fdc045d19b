"""What is run for every visit: navigation only."""

from diagnose.screens.start import navigate

navigate()
