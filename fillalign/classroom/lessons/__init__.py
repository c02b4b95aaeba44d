"""One module a lesson: its exercises, predictions and live figures."""
