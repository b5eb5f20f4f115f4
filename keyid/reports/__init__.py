"""What people see: text, pictures, drawings, reports."""
