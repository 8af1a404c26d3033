"""Starts the node and keeps it going. A board runs this file when the power comes on.

After an error the board starts anew, with another ``boot``. An encoder that is to be set to zero
then waits for that again, and its channel goes stale: nobody is told a wrong angle.
"""

import board
import config
from node import Node

node = Node(board, config)
try:
    while True:
        node.turn()
        board.rest()
except Exception as problem:  # noqa: BLE001 - whatever it is, a node that stands still is no use
    board.restart(problem)
