"""How the eye is trained; nothing outside this folder imports a training library."""
