"""recall"""
