"""One module a lesson, `lNN.py`, found by its number: `EXERCISES`, `PREDICTIONS`, live figures.

A new lesson adds its file here, changes none, and gets a notebook of the same number;
long exercises may stand beside it in `lNN_exercises.py`.
"""
