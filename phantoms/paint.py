"""Compiled kernels that paint a scene onto a voxel grid.

A voxel is one uint32. Low half, what grew there: label A (4 bits), label B (4 bits), share of A (8 bits). High
half, what was put there: label (4 bits) and its share (8 bits) over the low half. Edges so keep their place to a
fraction of a voxel, and the mouth without its restorations is the same array with the high half ignored.
"""

from __future__ import annotations

import math

from numba import njit

from phantoms.bodies import body_distance
from phantoms.teeth import crown_distance, enamel_thickness, pulp_distance, root_distance, smooth_max, smooth_min

AIR, SOFT, MARROW, BONE, DENTINE, ENAMEL = 0, 1, 2, 3, 4, 5


@njit(nogil=True, cache=True)
def cover(distance, voxel):
    """Give the share of a voxel inside a surface at a signed distance (mm) from its middle."""
    return min(1.0, max(0.0, 0.5 - distance / voxel))


@njit(nogil=True, cache=True)
def put(code, label, share):
    """Give the voxel's lower half with `label` painted over `share` of it."""
    if share <= 0.002:
        return code
    if share >= 0.998:
        return (label << 12) | (label << 8) | 255
    main = (code >> 12) & 15 if (code & 255) >= 128 else (code >> 8) & 15
    return (label << 12) | (main << 8) | int(share * 255.0 + 0.5)


@njit(nogil=True, cache=True)
def read_plane(table, x, y, x0, y0, step):
    """Read a plane table linearly, clamped to its edge."""
    u, v = (x - x0) / step, (y - y0) / step
    u = min(max(u, 0.0), table.shape[1] - 1.001)
    v = min(max(v, 0.0), table.shape[0] - 1.001)
    i, j = int(v), int(u)
    a, b = v - i, u - j
    return (1 - a) * ((1 - b) * table[i, j] + b * table[i, j + 1]) + a * (
        (1 - b) * table[i + 1, j] + b * table[i + 1, j + 1]
    )


@njit(nogil=True, cache=True)
def read_bone(bone, s, t, z, box):
    """Read the straightened bone distance (mm); far outside its box it is 30."""
    u, v, w = (s - box[0]) / box[1], (t - box[2]) / box[3], (z - box[4]) / box[5]
    if u < 0 or v < 0 or w < 0 or u >= bone.shape[0] - 1 or v >= bone.shape[1] - 1 or w >= bone.shape[2] - 1:
        return 30.0
    i, j, k = int(u), int(v), int(w)
    a, b, c = u - i, v - j, w - k
    low = (1 - b) * ((1 - c) * bone[i, j, k] + c * bone[i, j, k + 1]) + b * (
        (1 - c) * bone[i, j + 1, k] + c * bone[i, j + 1, k + 1]
    )
    high = (1 - b) * ((1 - c) * bone[i + 1, j, k] + c * bone[i + 1, j, k + 1]) + b * (
        (1 - c) * bone[i + 1, j + 1, k] + c * bone[i + 1, j + 1, k + 1]
    )
    return (1 - a) * low + a * high


@njit(nogil=True, cache=True)
def read_row(table, s, s0, ds, column):
    """Read one column of the per-station table linearly, clamped."""
    u = min(max((s - s0) / ds, 0.0), table.shape[0] - 1.001)
    i = int(u)
    return table[i, column] + (u - i) * (table[i + 1, column] - table[i, column])


@njit(nogil=True, cache=True)
def _read_noise(noise, x, y, z, cell):
    n = noise.shape[0]
    u, v, w = x / cell, y / cell, z / cell
    i, j, k = math.floor(u), math.floor(v), math.floor(w)
    a, b, c = u - i, v - j, w - k
    i, j, k = int(i) % n, int(j) % n, int(k) % n
    p, q, r = (i + 1) % n, (j + 1) % n, (k + 1) % n
    low = (1 - b) * ((1 - c) * noise[i, j, k] + c * noise[i, j, r]) + b * (
        (1 - c) * noise[i, q, k] + c * noise[i, q, r]
    )
    high = (1 - b) * ((1 - c) * noise[p, j, k] + c * noise[p, j, r]) + b * (
        (1 - c) * noise[p, q, k] + c * noise[p, q, r]
    )
    return (1 - a) * low + a * high


@njit(nogil=True, cache=True)
def _face_distance(x, y, z, head):
    """Give about the distance (mm, negative inside) to the skin; the neck falls back under the chin."""
    under = min(max((head[3] - z) / 16.0, 0.0), 1.0)
    front = head[1] + head[2] * under * under
    back = 128.0
    middle, half = 0.5 * (front + back), 0.5 * (back - front)
    u, v = abs(x) / (head[0] - 8.0 * under), abs(y - middle) / half
    q = u * u * math.sqrt(u) + v * v * math.sqrt(v)
    return (q**0.4 - 1.0) * head[0]


@njit(nogil=True, cache=True)
def mouth_air_distance(s, t, z, x, y, table, s0, ds, opening):
    """Give about the distance (mm, negative inside) to the air of the open mouth."""
    low = min(max((-7.0 - z) / 11.0, 0.0), 1.0)
    high = min(max((z - opening - 7.0) / 11.0, 0.0), 1.0)
    shut = 4.5 * (low * low * (3 - 2 * low) + high * high * (3 - 2 * high))
    cheek = read_row(table, s, s0, ds, 6) - shut
    tongue = read_row(table, s, s0, ds, 7) - 3.5 * low * low * (3 - 2 * low)
    dome = 1.0 - (x / 25.0) ** 2 - ((y - 40.0) / 37.0) ** 2
    crown = -9.0 + (opening * 0.45 + 15.0) * math.sqrt(dome) if dome > 0 else -9.0
    lingual = smooth_min(-tongue - t, crown - z, 2.0)
    vault = opening + 8.0 + 11.0 * math.sqrt(min(max((-t - 3.0) / 16.0, 0.0), 1.0)) if t < 0 else opening + 17.0
    sides = smooth_max(smooth_max(t - cheek, lingual, 3.0), abs(s) - 63.0, 8.0)
    return max(sides, z - vault, -20.0 - z)


@njit(nogil=True, cache=True)
def _spine(code, x, y, z, voxel, texture):
    """Paint the neck's vertebrae: bodies with discs between, and the arch behind."""
    if y < 78.0 or abs(x) > 26.0:
        return code
    level = (z + 1000.0) % 18.5
    body = (math.sqrt((x / 9.5) ** 2 + ((y - 93.0) / 8.0) ** 2) - 1.0) * 8.0
    body = smooth_max(body, abs(level - 9.2) - 6.8, 2.0)
    radius = math.sqrt(x * x + (y - 108.0) ** 2)
    ring = math.sqrt((radius - 15.5) ** 2 + (0.7 * (level - 9.2)) ** 2) - 3.6
    d = min(body, ring)
    share = cover(d, voxel)
    if share <= 0.0:
        return code
    if d < -0.5:
        dense = max(cover(-(d + 1.1), voxel), min(1.0, max(0.05, 0.25 + 0.13 * texture)))
        return (BONE << 12) | (MARROW << 8) | int(dense * 255.0)
    return put(code, BONE, share)


@njit(nogil=True, cache=True)
def paint_head(codes, first, last, m, voxel, station, offset, plane, table, s0, ds, head, opening, noise):
    """Paint skin, soft tissue, the mouth's air, throat and spine into slices `first` to `last`."""
    _, rows, columns = codes.shape
    for k in range(first, last):
        for i in range(rows):
            for j in range(columns):
                x = m[0, 0] * k + m[0, 1] * i + m[0, 2] * j + m[0, 3]
                y = m[1, 0] * k + m[1, 1] * i + m[1, 2] * j + m[1, 3]
                z = m[2, 0] * k + m[2, 1] * i + m[2, 2] * j + m[2, 3]
                code = (SOFT << 12) | (SOFT << 8) | 255
                if abs(x) > 30.0 or y < 20.0 or y > 100.0:
                    skin = _face_distance(x, y, z, head)
                    if skin > voxel:
                        codes[k, i, j] = 0
                        continue
                    if skin > -voxel:
                        code = put(0, SOFT, cover(skin, voxel))
                    elif skin > -9.0:
                        # Fat under the skin, fading into muscle.
                        fat = 0.75 * min(1.0, max(0.0, -skin - 1.5)) * min(1.0, (skin + 9.0) / 4.0)
                        fat *= 1.0 + 0.25 * _read_noise(noise, x, y, z, 3.1)
                        code = (MARROW << 12) | (SOFT << 8) | int(255.0 * min(1.0, max(0.0, fat)))
                if y < 62.0 and z > -21.0 and z < opening + 22.0:
                    s = read_plane(station, x, y, plane[0], plane[1], plane[2])
                    t = read_plane(offset, x, y, plane[0], plane[1], plane[2])
                    air = mouth_air_distance(s, t, z, x, y, table, s0, ds, opening)
                    code = put(code, AIR, cover(air, voxel))
                if y > 55.0:
                    throat = (math.sqrt((x / 12.0) ** 2 + ((y - 71.0) / 6.5) ** 2) - 1.0) * 6.5
                    code = put(code, AIR, cover(throat, voxel))
                    code = _spine(code, x, y, z, voxel, _read_noise(noise, x, y, z, 0.8))
                codes[k, i, j] = code


@njit(nogil=True, cache=True)
def paint_jaw(codes, first, last, m, voxel, station, offset, plane, table, s0, ds, bone, box, noise, grain):
    """Paint gingiva, cortical and trabecular bone of one jaw into slices `first` to `last`."""
    _, rows, columns = codes.shape
    for k in range(first, last):
        for i in range(rows):
            for j in range(columns):
                z = m[2, 0] * k + m[2, 1] * i + m[2, 2] * j + m[2, 3]
                if z < box[4] or z > 42.0:
                    continue
                x = m[0, 0] * k + m[0, 1] * i + m[0, 2] * j + m[0, 3]
                y = m[1, 0] * k + m[1, 1] * i + m[1, 2] * j + m[1, 3]
                if abs(x) > 60.0 or y < -26.0 or y > 90.0:
                    continue
                t = read_plane(offset, x, y, plane[0], plane[1], plane[2])
                if t < -13.0 or t > 15.0:
                    continue
                s = read_plane(station, x, y, plane[0], plane[1], plane[2])
                d = read_bone(bone, s, t, z, box)
                if d > 4.0:
                    continue
                gum = read_row(table, s, s0, ds, 0)
                code = codes[k, i, j] & 0xFFFF
                if d > -voxel:
                    top = read_row(table, s, s0, ds, 1)
                    code = put(code, SOFT, cover(smooth_max(d - gum, z - top, 0.8), voxel))
                share = cover(d, voxel)
                if share > 0.0:
                    crest, base = read_row(table, s, s0, ds, 4), read_row(table, s, s0, ds, 5)
                    down = min(max((crest - z) / (crest - base + 1e-6) * 1.5, 0.0), 1.0)
                    thick = read_row(table, s, s0, ds, 2) * (1 - down) + read_row(table, s, s0, ds, 3) * down
                    dense = cover(-(d + thick), max(voxel, 0.7))
                    if share >= 0.998 and dense < 1.0:
                        coarse = _read_noise(noise, x + 7.0, y, z, 1.9)
                        fine = _read_noise(noise, x, y + 11.0, z, 0.55)
                        sponge = read_row(table, s, s0, ds, 8)
                        sponge = min(0.95, max(0.02, sponge * (1.0 + 0.30 * coarse) + grain * fine))
                        dense = dense + (1.0 - dense) * sponge
                        code = (BONE << 12) | (MARROW << 8) | int(dense * 255.0)
                    else:
                        code = put(code, BONE, share)
                codes[k, i, j] = code


@njit(nogil=True, cache=True)
def prosthesis_distance(x, y, z, s, t, bone, box, table, s0, ds, rows, to_teeth, parameters, base):
    """Give the signed distance (mm) to a prosthesis; `base` as `phantoms.scene.base_numbers`."""
    gum = read_bone(bone, s, t, z, box) - read_row(table, s, s0, ds, 0)
    if gum > 14.0:
        return gum
    crest = read_row(table, s, s0, ds, 4)
    plate = smooth_max(gum - base[0], max(crest - base[1] - z, abs(s) - base[2]), 1.2)
    # The body of the prosthesis carries the crowns on the base.
    body = smooth_max(abs(t) - base[4], max(z + base[5], abs(s) - base[2] + 1.0, -26.0 - z), 1.5)
    plate = smooth_min(plate, body, 1.5)
    return max(min(plate, body_distance(x, y, z, rows, to_teeth, parameters)), base[3] - gum)


@njit(nogil=True, cache=True)
def paint_prosthesis(
    codes,
    first,
    last,
    m,
    voxel,
    station,
    offset,
    plane,
    table,
    s0,
    ds,
    bone,
    box,
    rows,
    to_teeth,
    parameters,
    base,
    label,
):
    """Paint a radiolucent prosthesis as if it had grown on the mucosa."""
    _, lines, columns = codes.shape
    for k in range(first, last):
        for i in range(lines):
            for j in range(columns):
                z = m[2, 0] * k + m[2, 1] * i + m[2, 2] * j + m[2, 3]
                if z < -32.0 or z > 4.0:
                    continue
                x = m[0, 0] * k + m[0, 1] * i + m[0, 2] * j + m[0, 3]
                y = m[1, 0] * k + m[1, 1] * i + m[1, 2] * j + m[1, 3]
                if abs(x) > 50.0 or y < -22.0 or y > 60.0:
                    continue
                t = read_plane(offset, x, y, plane[0], plane[1], plane[2])
                if t < -13.0 or t > 15.0:
                    continue
                s = read_plane(station, x, y, plane[0], plane[1], plane[2])
                d = prosthesis_distance(x, y, z, s, t, bone, box, table, s0, ds, rows, to_teeth, parameters, base)
                if d < voxel:
                    codes[k, i, j] = put(codes[k, i, j] & 0xFFFF, label, cover(d, voxel))


@njit(nogil=True, cache=True)
def paint_tube(codes, first, last, low, high, m, voxel, points, radius, wall):
    """Paint a canal: soft contents with a thin dense wall, inside bone only."""
    for k in range(max(first, low[0]), min(last, high[0])):
        for i in range(low[1], high[1]):
            for j in range(low[2], high[2]):
                code = codes[k, i, j] & 0xFFFF
                if (code >> 12) & 15 != BONE and (code >> 8) & 15 != BONE:
                    continue
                x = m[0, 0] * k + m[0, 1] * i + m[0, 2] * j + m[0, 3]
                y = m[1, 0] * k + m[1, 1] * i + m[1, 2] * j + m[1, 3]
                z = m[2, 0] * k + m[2, 1] * i + m[2, 2] * j + m[2, 3]
                best = 1e9
                for n in range(points.shape[0] - 1):
                    ax, ay, az = points[n, 0], points[n, 1], points[n, 2]
                    dx, dy, dz = points[n + 1, 0] - ax, points[n + 1, 1] - ay, points[n + 1, 2] - az
                    px, py, pz = x - ax, y - ay, z - az
                    u = (px * dx + py * dy + pz * dz) / (dx * dx + dy * dy + dz * dz + 1e-12)
                    u = min(1.0, max(0.0, u))
                    best = min(best, (px - u * dx) ** 2 + (py - u * dy) ** 2 + (pz - u * dz) ** 2)
                d = math.sqrt(best) - radius
                if d < wall + voxel:
                    ring = cover(d - wall, voxel)
                    if ring > 0.0 and (code >> 8) & 15 == MARROW and (code & 255) < 210:
                        code = (BONE << 12) | (MARROW << 8) | max(code & 255, int(210 * ring))
                    code = put(code, SOFT, cover(d, voxel))
                    codes[k, i, j] = code


@njit(nogil=True, cache=True)
def paint_tooth(codes, first, last, low, high, m, voxel, p, ligament, lamina):
    """Paint one tooth: socket wall, ligament, root, crown of enamel over dentine, pulp."""
    for k in range(max(first, low[0]), min(last, high[0])):
        for i in range(low[1], high[1]):
            for j in range(low[2], high[2]):
                x = m[0, 0] * k + m[0, 1] * i + m[0, 2] * j + m[0, 3]
                y = m[1, 0] * k + m[1, 1] * i + m[1, 2] * j + m[1, 3]
                z = m[2, 0] * k + m[2, 1] * i + m[2, 2] * j + m[2, 3]
                root = root_distance(x, y, z, p) if z < 0.5 + voxel else 9.0
                crown = crown_distance(x, y, z, p) if z > -0.3 - voxel else 9.0
                if min(root, crown) > ligament + lamina + voxel:
                    continue
                code = codes[k, i, j] & 0xFFFF
                a, b = (code >> 12) & 15, (code >> 8) & 15
                if z < 0.0 and (a == BONE or b == BONE):
                    wall = cover(root - ligament - lamina, voxel)
                    if b == MARROW and (code & 255) < 225:
                        code = (BONE << 12) | (MARROW << 8) | max(code & 255, int(225 * wall))
                    code = put(code, SOFT, cover(root - ligament, voxel))
                code = put(code, DENTINE, cover(min(root, crown), voxel))
                if z > -voxel:
                    thick = enamel_thickness(z, p)
                    if crown > -thick - voxel:
                        share = min(cover(crown, voxel), cover(-(crown + thick), voxel))
                        if thick > 0.0 and share > 0.0:
                            if share < 0.998 and crown < -0.5 * thick:
                                code = (ENAMEL << 12) | (DENTINE << 8) | int(share * 255.0)
                            else:
                                code = put(code, ENAMEL, share)
                code = put(code, SOFT, cover(pulp_distance(x, y, z, p), voxel))
                codes[k, i, j] = code


@njit(nogil=True, cache=True)
def paint_body(codes, first, last, low, high, m, voxel, rows, to_teeth, parameters, label, lasting):
    """Paint a body over what grew there, or (`lasting` 1) as part of what stays without restorations."""
    for k in range(max(first, low[0]), min(last, high[0])):
        for i in range(low[1], high[1]):
            for j in range(low[2], high[2]):
                x = m[0, 0] * k + m[0, 1] * i + m[0, 2] * j + m[0, 3]
                y = m[1, 0] * k + m[1, 1] * i + m[1, 2] * j + m[1, 3]
                z = m[2, 0] * k + m[2, 1] * i + m[2, 2] * j + m[2, 3]
                share = cover(body_distance(x, y, z, rows, to_teeth, parameters), voxel)
                if share <= 0.002:
                    continue
                code = codes[k, i, j]
                over = code >> 16
                if lasting == 1:
                    left = int((over & 255) * (1.0 - share) + 0.5)
                    over = ((over & 0xF00) | left) if left > 0 else 0
                    codes[k, i, j] = put(code & 0xFFFF, label, share) | (over << 16)
                    continue
                amount = int(share * 255.0 + 0.5)
                same = (over >> 8) & 15 == label
                if same or amount >= 128 or over & 255 <= amount:
                    amount = max(amount, over & 255) if same or over & 255 > 0 else amount
                    codes[k, i, j] = (code & 0xFFFF) | (((label << 8) | amount) << 16)
