"""The works, the pages and their visitors of the dashboards' tests, for attacks on them."""

from tests.dashboards.conftest import address, desk, past, visit, works

__all__ = ["address", "desk", "past", "visit", "works"]
