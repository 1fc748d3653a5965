"""lungfish: the level of a vented tank through a dip tube, from timed purges of compressed air."""

__version__ = "0.1.0"
__all__ = ["__version__"]
