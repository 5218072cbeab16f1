"""The page and its API, served by the daemon; no picture is decoded here, and no decision about a print made."""
