"""Long runs that try to break the promises about water; ``python -m tests.campaigns`` runs them all."""
