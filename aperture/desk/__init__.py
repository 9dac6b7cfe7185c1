"""The desk: a local web page where photos come from the phone, are reviewed, and the reed book is kept."""
