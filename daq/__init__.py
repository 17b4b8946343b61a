"""steadyhead: judges electric in-tank fuel pumps and pump modules on a test stand."""

from importlib.metadata import version

__version__ = version("steadyhead")
