"""Static pages and shared tables of a release, made from its warehouse alone."""

from dashboards.publish import publish

__all__ = ["publish"]
