"""What the control room and people see."""
