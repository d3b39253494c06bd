"""Everything that leaves the tool: record, tables, charts, map, report."""
