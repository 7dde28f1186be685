"""Users, crews and who may do what in them. A crew is the tenant: nothing is visible across crews."""
