"""Pages of the week: the sheet, practice, filming and clips."""
