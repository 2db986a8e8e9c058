"""rehearsal"""
