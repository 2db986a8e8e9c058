"""What the history has of a folder with several copies when its jobs are called otherwise from now on."""
