"""A car that knows nothing of the knowledge, and people who play the advice on it.

The advice works with what the YAML files say of conditions. This car follows what happens to metal, gas,
water and control units instead, and complains where it is asked for what it could not give, or where somebody
would be hurt. Its names are those of setups and readings; nothing else comes from the files.
"""
