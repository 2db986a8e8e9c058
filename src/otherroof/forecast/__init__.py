"""forecast"""
