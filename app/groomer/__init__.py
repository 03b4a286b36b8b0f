"""The groomer's side: her day, a dog's file, hands-on findings, the bench, the sheet, and what learns from her."""
