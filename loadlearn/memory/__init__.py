"""What many drives of one vehicle know together: a small file that one drive can start from."""
