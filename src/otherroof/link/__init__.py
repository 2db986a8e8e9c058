"""The way there: address plan and MTU (pure), the Tunnel port and its drivers, the ladder, names and routes."""
