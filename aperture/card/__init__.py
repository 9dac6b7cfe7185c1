"""The scale card and the sheet that it is printed on."""
