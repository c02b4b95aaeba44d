"""The lessons as a learner meets them: JupyterLab in a real browser."""
