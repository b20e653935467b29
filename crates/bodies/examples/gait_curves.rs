//! Prints the demo take as numbers, one line per frame, for plotting.
fn main() {
    let take = understudy_bodies::demo_take().unwrap();
    let s = &take.clip.skeleton;
    let j = |n: &str| s.find(n).unwrap();
    let cols = ["pelvis","spine_3","head","left_shoulder","left_elbow","left_wrist","right_shoulder","right_elbow","right_wrist","left_hip","left_knee","left_ankle","left_ball","right_hip","right_knee","right_ankle","right_ball"];
    for f in 0..take.clip.frame_count() {
        let w = take.clip.world(f);
        let mut v: Vec<f64> = vec![];
        for c in cols { let p = w.position(j(c)); v.extend([p.x,p.y,p.z]); }
        for side in ["left","right"] {
            let a = j(&format!("{side}_ankle")); let b = j(&format!("{side}_ball"));
            for p in [w.point(a, take.foot.heel), w.point(b, s.joint(b).tips[0])] { v.extend([p.x,p.y,p.z]); }
        }
        println!("{}", v.iter().map(|x| format!("{x:.6}")).collect::<Vec<_>>().join(","));
    }
    for c in &take.contacts { eprintln!("{:?}", c); }
}
