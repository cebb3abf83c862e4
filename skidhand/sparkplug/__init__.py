"""Sparkplug B (ISO/IEC 20237:2023) as both ends of the wire need it: payloads, topics, data types, names."""
