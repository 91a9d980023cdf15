"""influxdb-client without numpy and pandas, which it takes along wherever they happen to be installed.

The watch would carry 20 MB that it never uses: lines are our own text, so the client's conversions are not needed.
"""

from __future__ import annotations

import sys

_HELD_BACK = [name for name in ("numpy", "pandas") if name not in sys.modules]
for _name in _HELD_BACK:
    sys.modules[_name] = None  # type: ignore[assignment]  # None makes an import fail as if it were not installed
try:
    from influxdb_client.client.influxdb_client import InfluxDBClient
    from influxdb_client.rest import ApiException
    from influxdb_client.service.write_service import WriteService
finally:
    for _name in _HELD_BACK:
        del sys.modules[_name]

__all__ = ["ApiException", "InfluxDBClient", "WriteService"]
