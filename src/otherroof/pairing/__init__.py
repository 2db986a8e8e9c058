"""pairing"""
