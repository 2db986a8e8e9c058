"""layout/open"""
