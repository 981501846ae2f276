"""A simulated gateway: replays a site over Modbus, with faults on demand.

For demonstrations and tests. Run ``python -m sample_logs.gateway --help``.
"""
