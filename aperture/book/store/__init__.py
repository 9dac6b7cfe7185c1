"""The book's file: its tables, what they keep, and adding to them."""
