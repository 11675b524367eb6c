"""Forms check form; the rules stand in the services."""
