"""What is asked of this machine's network: addresses, routes, names, echoes, packet sizes."""
