"""What differs between home and the far copy: catalogue, comparison, plan, guard."""
