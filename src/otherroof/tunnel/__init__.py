"""The tunnel to the other house: the Tunnel port and its drivers, keys, home's firewall table, sharing by processes.

`network/` asks this machine's network and does its arithmetic; `drivers/` bring tunnels up; `build` knows which one is
wanted.
"""
