"""Two files a lesson: `lNN.py` with its live figures, `lNN.toml` with what it asks.

A new lesson adds its files here, changes none, and gets a notebook of the same number in
`notebooks/`. Lesson 03 is a short one to start from; its panels are made of
`fillalign.classroom.live_panels`.
"""
