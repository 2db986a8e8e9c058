"""watch"""
