"""What people read: nights, calendar, rehearsal. Made of the answers that the planner gives."""
