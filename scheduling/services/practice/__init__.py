"""The practice season: an invented cooperative, built through the services that people use, removable in one go."""
