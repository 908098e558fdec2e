// What surfaces of the bulk path tracer look like: cubes and textures.
#pragma once
#include "bulk_shapes.h"

namespace bt {
struct Surface { V albedo; float rough, f0; V emit; V n; int sticker; };

HD float mark_shape(int kind, float u, float v) {  // 1 inside the printed mark; u, v about -1..1
    float r = sqrtf(u * u + v * v), a = atan2f(v, u);
    if (kind == 0) return (r < 1 && r > 0.62f) ? 1.f : 0.f;
    if (kind == 1) return (fabsf(u) < 0.2f && fabsf(v) < 1) || (fabsf(v) < 0.2f && fabsf(u) < 1) ? 1.f : 0.f;
    if (kind == 2) return r < 0.6f + 0.35f * cosf(5 * a) ? 1.f : 0.f;
    if (kind == 3) return (fabsf(v) < 1 && fabsf(u) < 0.8f && (v > 0.7f || u < -0.5f || fabsf(v) < 0.15f)) ? 1.f : 0.f;
    if (kind == 4) return (v > -0.8f && fabsf(u) < (0.8f - v) * 0.6f && !(v > -0.45f && v < 0.2f && fabsf(u) < 0.2f)) ? 1.f : 0.f;
    return noise(u * 3 + 11, v * 3, 3.f) * (1.2f - r) > 0.42f ? 1.f : 0.f;
}
HD void shade_cube(const float* q, const Hit& h, Surface& s) {
    float u = 0, v = 0, up;
    int row = 0, col = 0;
    int f = cube_face(q, h, u, v, row, col, up);
    s.sticker = 0;
    s.albedo = ld(q + 10);
    s.rough = q[13];
    s.f0 = q[9];
    s.emit = mk(0, 0, 0);
    s.n = h.n;
    int seed = (int)q[15];
    float grain = noise(h.p.x * 9, h.p.y * 9, h.p.z * 9 + seed);
    if (f < 0) { s.albedo = ld(q + 82) * (0.85f + 0.3f * grain); return; }
    int id = f * 25 + row * 5 + col;
    bool less = q[4] > 0.5f;
    float sd;
    bool on;
    if (less) {
        sd = -1;
        on = up > 0.3f;
        if (!on) { s.albedo = ld(q + 82); return; }
    } else {
        sd = rounded_square(u, v, q[5], q[6] * q[5]);
        on = q[87] > 0 ? h.cell >> 12 && sd < 0.02f : sd < 0 && up > 0.75f;
    }
    if (!on) { s.albedo = s.albedo * (0.9f + 0.2f * grain); return; }
    s.sticker = 1 + id;
    V c = ld(q + 64 + 3 * (int)q[96 + id]);
    c = c * (0.96f + 0.08f * h1(id, seed, 5));
    float wear = q[50];
    if (wear > 0) {
        float w = noise(u * 2.3f + id * 3.1f, v * 2.3f, seed + 0.5f) + 0.5f * noise(u * 9.f, v * 9.f + id, seed + 1.5f);
        c = c * (1 - wear * 0.5f * smooth(0.75f, 1.2f, w));
        float edge = less ? smooth(0.80f, 0.98f, fmaxf(fabsf(u), fabsf(v))) : smooth(-0.12f, 0.f, sd);
        float chip = noise(u * 6 + 3.3f * id, v * 6, seed + 2.5f);
        if (chip < wear * 0.55f * edge) c = mixv(c, less ? mk(.6f, .6f, .58f) : ld(q + 10), 0.8f);
    }
    int marks = (int)q[51];
    for (int k = 0; k < marks; k++) {
        const float* M = q + 52 + 4 * k;
        if ((int)M[0] == id) {
            float ca = cosf(M[3]), sa = sinf(M[3]), a = (ca * u - sa * v) / M[2], b = (sa * u + ca * v) / M[2];
            if (fabsf(a) < 1.2f && fabsf(b) < 1.2f && mark_shape((int)M[1], a, b) > 0.5f) {
                float lum = dot(c, mk(.3f, .6f, .1f));
                c = lum > 0.25f ? mk(.04f, .04f, .05f) : mk(.6f, .6f, .6f);
            }
        }
    }
    s.albedo = c;
    s.rough = q[8];
    // tiles sit slightly tilted and crowned, and stickers have a rim: only the normal shows it
    V nl = h.nl, fu = face_u(f), fv = face_v(f);
    float tu = (h1(id, seed, 8) - 0.5f) * q[85] + u * q[86], tv = (h1(id, seed, 9) - 0.5f) * q[85] + v * q[86];
    if (!less) {
        float rim = smooth(-0.09f, 0.f, sd) * q[7];
        float m = fmaxf(fabsf(u), fabsf(v));
        if (fabsf(u) > m - 0.04f) tu += rim * (u < 0 ? -1 : 1);
        if (fabsf(v) > m - 0.04f) tv += rim * (v < 0 ? -1 : 1);
    }
    nl = unit(nl + fu * tu + fv * tv);
    // back to the world: the turn of the group is that between h.nl and h.n; rebuild it from the group
    int axis = (int)q[29], idx = axis == 0 ? (h.cell & 15) : axis == 1 ? (h.cell >> 4) & 15 : (h.cell >> 8) & 15, groups = (int)q[28];
    for (int g = 0; g < groups; g++) {
        const float* G = q + 30 + 4 * g;
        if (idx >= (int)G[0] && idx < (int)G[1]) nl = turn_axis(nl, axis, G[2], G[3]);
    }
    s.n = rot_t(q + 19, nl);
}

// ---- textures ------------------------------------------------------------------------------------------------
HD void shade_prim(const float* q, const Hit& h, Surface& s) {
    int tex = (int)q[2], seed = (int)q[3], type = (int)q[0];
    V A = ld(q + 20), B = ld(q + 23), C = ld(q + 26), half = ld(q + 17);
    float k = q[29], a = q[30], b = q[31];
    s.albedo = A;
    s.rough = q[32];
    s.f0 = q[33];
    s.emit = mk(0, 0, 0);
    s.n = h.n;
    s.sticker = 0;
    V p = h.p, n = h.nl;
    float ax = fabsf(n.x), ay = fabsf(n.y), az = fabsf(n.z), sx = (float)(seed % 97);
    float u, v, hu, hv;
    if (az >= ax && az >= ay) { u = p.x; v = p.y; hu = half.x; hv = half.y; }
    else if (ax >= ay) { u = p.y; v = p.z; hu = half.y; hv = half.z; }
    else { u = p.x; v = p.z; hu = half.x; hv = half.z; }
    bool front = n.z > 0.5f && type == 1;
    if (tex == 1) {  // wood
        float plank = a > 0 ? floorf(v / a) : 0.f;
        float ou = u + 31.7f * h1((int)plank, seed, 1);
        float g = fbm(ou * 0.06f * k, v * 1.1f * k + plank * 9, sx), fine = noise(ou * 0.5f * k, v * 9 * k, sx + 3);
        float ring = 0.5f + 0.5f * sinf((v * 0.8f * k + 5 * g) * 6.3f);
        float w = clampf(0.55f * g + 0.25f * ring + 0.3f * fine - 0.05f, 0, 1);
        s.albedo = mixv(A, B, w) * (0.9f + 0.2f * h1((int)plank, seed, 2));
        if (a > 0 && fabsf(v / a - plank - 0.5f) > 0.49f) s.albedo = s.albedo * 0.35f;
    } else if (tex == 2) {  // cloth
        float w = sinf(u * 14 * k) * sinf(v * 14 * k);
        float g = noise(u * 7 * k, v * 7 * k, sx) * 0.6f + noise(u * 19 * k, v * 19 * k, sx) * 0.4f;
        s.albedo = mixv(A, B, clampf(0.5f + 0.25f * w + (g - 0.5f) * 0.9f, 0, 1)) * (0.85f + 0.3f * fbm(u * 0.12f, v * 0.12f, sx));
    } else if (tex == 3) {  // checker
        s.albedo = (((int)floorf(u * k + 0.01f) + (int)floorf(v * k + 0.01f) + (type != 1 ? (int)floorf(p.z * k) : 0)) & 1) ? A : B;
    } else if (tex == 4) {  // stripes
        float w = (u * cosf(a) + v * sinf(a)) * k;
        w = w - floorf(w);
        s.albedo = w < b ? B : A;
    } else if (tex == 5 || tex == 10) {  // ruled paper, or printed text
        if (front) {
            float line = v * k, fr = line - floorf(line);
            int L = (int)floorf(line);
            bool inside = fabsf(u) < hu * 0.86f && fabsf(v) < hv * 0.88f;
            if (tex == 5) { if (fr < a && (b < 0.5f || inside)) s.albedo = C; }
            else if (inside && fr < 0.45f && h1(L, seed, 4) > 0.15f) {
                float x = (u + hu) * k * 0.9f;
                bool word = noise(x, L * 7.3f, sx) > 0.42f && u < hu * (0.86f - 0.8f * (h1(L, seed, 6) > 0.75f ? h1(L, seed, 7) : 0.f));
                if (word) s.albedo = mixv(A, C, 0.45f + 0.5f * noise(x * 7, v * k * 6, sx));
            }
        }
    } else if (tex == 6) {  // flat grid of coloured squares: a by b cells, k = filled share
        if (front) {
            int na = (int)a, nb = (int)b;
            float cu = (u / hu * 0.5f + 0.5f) * 1.06f - 0.03f, cv = (v / hv * 0.5f + 0.5f) * 1.06f - 0.03f;
            if (cu > 0 && cv > 0 && cu < 1 && cv < 1) {
                float fu = cu * na, fv = cv * nb;
                int i = (int)fu, j = (int)fv;
                float d = rounded_square((fu - i) * 2 - 1, (fv - j) * 2 - 1, k, k * (float)(seed % 5) * 0.08f);
                if (d < 0) s.albedo = loud(h1(i, j, seed), h1(i, j, seed + 1), (seed / 5) % 4);
            }
        }
    } else if (tex == 7) {  // screen with icons
        if (front && fabsf(u) < hu * 0.96f && fabsf(v) < hv * 0.94f) {
            V bg = mixv(B, C, clampf(0.5f + 0.4f * v / hv + 0.3f * (fbm(u * 3 / hu, v * 3 / hv, sx) - 0.5f), 0, 1));
            float fu = (u / hu * 0.5f + 0.5f) * a, fv = (v / hv * 0.5f + 0.5f) * b;
            int i = (int)floorf(fu), j = (int)floorf(fv);
            float x = (fu - i) * 2 - 1, y = (fv - j) * 2 - 1;
            if (h1(i, j, seed) > 0.25f && rounded_square(x, y, 0.6f, 0.2f) < 0) {
                bg = hue(h1(i, j, seed + 3), 0.3f + 0.6f * h1(i, j, seed + 4), 0.9f);
                if (sqrtf(x * x + y * y) < 0.3f) bg = mk(.9f, .9f, .9f);
            }
            s.emit = bg * q[34];
            s.albedo = mk(.02f, .02f, .02f);
        } else s.albedo = A;
        return;
    } else if (tex == 8) {  // speckle
        float g = noise(p.x * 6 * k, p.y * 6 * k, p.z * 6 * k + sx);
        s.albedo = mixv(A, B, smooth(0.55f, 0.75f, g) * 0.8f);
    } else if (tex == 9) {  // skin
        V w = p + mk(sx, 0, 0);
        float g = fbm(w.x * 0.7f, w.y * 0.7f, w.z * 0.7f), f2 = noise(w.x * 9, w.y * 9, w.z * 9);
        s.albedo = mixv(A, B, clampf(g * 1.4f - 0.3f, 0, 1)) * (0.92f + 0.16f * f2);
    } else if (tex == 11) {  // blobs
        float g = fbm(u * k + sx, v * k, type == 1 ? sx : p.z * k);
        s.albedo = g < 0.42f ? A : g < 0.56f ? B : C;
    } else if (tex == 12) {  // keys
        if (front) {
            float fu = u * k, fv = v * k;
            int j = (int)floorf(fv);
            fu += 0.37f * j;
            int i = (int)floorf(fu);
            float x = (fu - i) * 2 - 1, y = (fv - j) * 2 - 1;
            if (rounded_square(x, y, 0.86f, 0.2f) < 0) {
                s.albedo = B;
                if (fabsf(x + 0.3f) < 0.25f && fabsf(y - 0.3f) < 0.25f && noise(x * 5 + i * 3, y * 5, (float)j) > 0.5f) s.albedo = C;
            }
        }
    } else if (tex == 13) {  // bricks or tiles
        float fv = v * k * 2, j = floorf(fv), fu = u * k + (a > 0.5f ? 0.5f * (((int)j) & 1) : 0), i = floorf(fu);
        float e = fminf(fminf(fu - i, 1 - fu + i), fminf(fv - j, 1 - fv + j) * 0.5f);
        s.albedo = e < 0.03f ? B : mixv(A, C, h1((int)i, (int)j, seed) * b) * (0.85f + 0.3f * noise(u * 3, v * 3, sx));
    } else if (tex == 14) {  // plaid
        float x = u * k - floorf(u * k), y = v * k - floorf(v * k);
        float w = 0.5f * (x < a ? 1.f : 0.f) + 0.5f * (y < a ? 1.f : 0.f);
        s.albedo = mixv(A, B, w);
        if (fabsf(x - b) < 0.03f || fabsf(y - b) < 0.03f) s.albedo = C;
    } else if (tex == 15) {  // cup: inside and fluid
        if (n.z > 0.5f && p.z < half.z * 0.98f && half.y > 0) s.albedo = C;
        else if (n.z < 0.5f && p.x * p.x + p.y * p.y < half.y * half.y * 1.02f) s.albedo = B;
    } else {
        s.albedo = A * (0.93f + 0.14f * fbm(p.x * 0.3f + sx, p.y * 0.3f, p.z * 0.3f));
    }
    if (q[34] > 0) s.emit = s.albedo * q[34];
    if (q[35] > 0) {  // bump
        float f = 5.f, e = 0.05f;
        float g0 = noise(p.x * f, p.y * f, p.z * f);
        V g = mk(noise((p.x + e) * f, p.y * f, p.z * f) - g0, noise(p.x * f, (p.y + e) * f, p.z * f) - g0, noise(p.x * f, p.y * f, (p.z + e) * f) - g0);
        if (type != 2) g = rot_t(q + 8, g);
        s.n = unit(s.n - g * (q[35] / e * 0.1f));
    }
}
}  // namespace bt
