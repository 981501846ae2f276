"""A simulator of rooftop PV with module-level inverters, independent of ``rules``.

``make_site(seed, profile)`` gives a :class:`SimSite`: telemetry, weather and
gateway log as files or tables, and what is true about them.
"""

from sample_logs.sim.profiles import FAULTS, LOOKALIKES, MIXES, PROFILES, make_site
from sample_logs.sim.site import SimSite, Truth

__all__ = ["FAULTS", "LOOKALIKES", "MIXES", "PROFILES", "SimSite", "Truth", "make_site"]
