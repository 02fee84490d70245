"""The law of the host: pure functions that turn what happened into what to do."""
