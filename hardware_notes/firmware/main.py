"""Starts the node and keeps it going. A board runs this file when the power comes on."""

import board
import config
from node import Node

node = Node(board, config)
while True:
    node.turn()
    board.rest()
