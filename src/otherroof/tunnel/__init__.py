"""The tunnel: address plan and MTU (pure), the Tunnel port, its drivers, firewall table, sharing between processes."""
