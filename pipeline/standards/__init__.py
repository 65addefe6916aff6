"""Published rules as plain functions: diagnostic bytes, codes, VINs, units, inspection rule, pressure test."""
