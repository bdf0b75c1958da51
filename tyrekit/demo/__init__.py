"""The invented demo weekend: a simulator that writes weekend folders, and nothing the kit reads.

Imports only the base. The room's truth is for tests; no other room imports this one.
"""
