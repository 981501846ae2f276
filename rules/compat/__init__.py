"""Will these modules, units, cables and radios live together: the electrical check.

Pure functions on the site description. Local codes and licensed practice prevail.
"""
