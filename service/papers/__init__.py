"""What is printed or handed over: labels, sheets, spreadsheets, pictures, calendars."""
