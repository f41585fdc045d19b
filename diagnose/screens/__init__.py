"""What does a person see and touch? Only asking and showing, no computing."""
