// A lit floor with a grid in metres that fades into the backdrop.
#import bevy_pbr::{
    forward_io::{VertexOutput, FragmentOutput},
    pbr_fragment::pbr_input_from_standard_material,
    pbr_functions::{apply_pbr_lighting, main_pass_post_lighting_processing},
}

struct Floor {
    // Linear colours; the last number of `line` is the strength of the lines.
    backdrop: vec4<f32>,
    line: vec4<f32>,
    // Middle of what is seen, metres, and the radius within which the floor is seen.
    middle_and_radius: vec4<f32>,
    // Width of a grid cell, metres, and nothing.
    cell: vec4<f32>,
}

@group(#{MATERIAL_BIND_GROUP}) @binding(100) var<uniform> look: Floor;

// 1 on the lines of a grid, one pixel wide; 0 where they would lie too close to tell apart.
fn grid(place: vec2<f32>) -> f32 {
    let per_pixel = max(fwidth(place), vec2<f32>(1e-6));
    let away = abs(fract(place - 0.5) - 0.5) / per_pixel;
    let lines = 1.0 - smoothstep(vec2<f32>(0.4), vec2<f32>(1.3), away);
    let apart = 1.0 - smoothstep(vec2<f32>(0.06), vec2<f32>(0.25), per_pixel);
    return max(lines.x * apart.x, lines.y * apart.y);
}

@fragment
fn fragment(in: VertexOutput, @builtin(front_facing) is_front: bool) -> FragmentOutput {
    var pbr_input = pbr_input_from_standard_material(in, is_front);
    let lit = main_pass_post_lighting_processing(pbr_input, apply_pbr_lighting(pbr_input));
    let place = in.world_position.xz / look.cell.x;
    let strength = look.line.a * max(grid(place), 0.35 * grid(place * 10.0));
    let ruled = mix(lit.rgb, look.line.rgb, strength);
    let away = distance(in.world_position.xz, look.middle_and_radius.xz) / look.middle_and_radius.w;
    let seen = 1.0 - smoothstep(0.2, 1.0, away);
    var out: FragmentOutput;
    out.color = vec4<f32>(mix(look.backdrop.rgb, ruled, seen), 1.0);
    return out;
}
