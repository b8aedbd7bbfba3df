"""Who may: accounts, sign-ins, tokens, patience with strangers."""
