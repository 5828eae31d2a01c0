"""benchtest: prove a prop of addressable LED nodes on the bench before it goes outdoors."""

__version__ = "0.2.0"
