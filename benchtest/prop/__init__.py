"""The design of a prop: strands, nodes, joints, points, data chain; reads prop files."""
