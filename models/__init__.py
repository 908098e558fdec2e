"""See the docstrings of the modules; this package is imported lightly on purpose."""
