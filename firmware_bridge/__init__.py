"""What the host and the board share: the law of the pump, its messages and the board program."""
