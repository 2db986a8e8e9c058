"""The arithmetic as the watch is lent it, which stands above the forecast in the house and may not reach for it."""

from __future__ import annotations

from otherroof.forecast.trend import days_until_full, growth_a_week
from otherroof.watch.facts import Trends

TRENDS = Trends(fill=days_until_full, growth=growth_a_week)
