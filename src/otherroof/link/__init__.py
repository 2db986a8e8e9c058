"""link"""
