"""Many logs of many vehicles: judged on one machine or on a cluster, kept in one data set."""
