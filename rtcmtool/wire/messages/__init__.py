"""Message layouts as data, a module a family; `rtcmtool.wire.catalogue` puts them together."""
