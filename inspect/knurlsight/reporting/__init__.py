"""What people see of an inspection: terminal, annotated photo, maps, report. No figure is worked out here."""
