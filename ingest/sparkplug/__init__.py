"""Sparkplug B as a host application: sessions of edge nodes, and the little that is ever said to them."""
