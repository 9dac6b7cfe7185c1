"""The guide: the manual as pages of Markdown, which the terminal and the desk show alike."""
