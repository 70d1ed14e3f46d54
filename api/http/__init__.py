"""The HTTP side of Gloaming: what may be asked, by whom, and what is answered."""
