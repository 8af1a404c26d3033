"""What people see and decide: capacity sectors, figures, pages."""
