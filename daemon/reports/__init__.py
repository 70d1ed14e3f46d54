"""What people read: nights, calendar, rehearsal, pictures, survey. Made of the answers that the planner gives."""
