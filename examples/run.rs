// dev: run benches, write minimal result tree
use slitwatch::{classify::Capture,decode,measure::{*,photo::*,judge::*},settings,standards};
use std::io::Write;
fn main(){ let a:Vec<String>=std::env::args().collect(); let inbox=&a[1]; let out=&a[2];
 let st=settings::shipped(std::path::Path::new("config/lab.yaml")); let names=standards::lines_for_naming(); let verbose=std::env::var("V").is_ok();
 let mut benches:Vec<_>=std::fs::read_dir(inbox).unwrap().filter_map(|e|{let e=e.unwrap();e.path().is_dir().then(||e.file_name().into_string().unwrap())}).collect(); benches.sort();
 let only=a.get(3).cloned();
 use rayon::prelude::*;
 benches.par_iter().for_each(|b|{ 
  let mut files:Vec<_>=std::fs::read_dir(format!("{inbox}/{b}")).unwrap().map(|e|e.unwrap().file_name().into_string().unwrap()).filter(|f|f.ends_with(".jpg")).collect(); files.sort_by_key(|f|(!f.starts_with("lamp"),f.clone()));
  let mut cals:Vec<(String,Calibration)>=vec![]; let bench=st.bench(b);
  for f in files { if let Some(o)=&only { if !f.starts_with("lamp") && !f.contains(o.as_str()) && !format!("{b}/{f}").contains(o.as_str()) {continue;} }
   let bytes=std::fs::read(format!("{inbox}/{b}/{f}")).unwrap(); let cap=if f.starts_with("lamp"){Capture::Calibration}else{Capture::Sample};
   let dir=format!("{out}/{b}/{f}"); std::fs::create_dir_all(&dir).unwrap();
   let t=std::time::Instant::now();
   let (verdict,reasons,m,log)=match decode::decode(&bytes,300_000_000){ Err(e)=>{ let code=match e {decode::Fault::Truncated(_)=>Code::Truncated,decode::Fault::TooLarge(_)=>Code::TooLarge,_=>Code::Unreadable}; (if code==Code::Truncated{Verdict::Retake}else{Verdict::Unreadable},vec![Reason{code,severity:Severity::Retake,measured:e.to_string(),limit:String::new(),advice:String::new()}],Measurement::default(),vec![]) },
    Ok((facts,frame))=>{ let td=t.elapsed(); let cal=cals.first().map(|c|&c.1);
     let lamps=if cap==Capture::Calibration {st.lamps_for("fluorescent")} else {vec![]};
     let m=measure(&frame,&Inputs{bench:&bench,facts:&facts,capture:cap,lamps,names:&names,calibration:if cap==Capture::Calibration{None}else{cal},range_nm:(370.0,780.0),step_nm:0.25});
     let (v,r)=judge(&m,&Case{capture:cap,facts:&facts,limits:&st.limits,words:&st.words,blank:None});
     let mut log=m.log.clone(); log.push(format!("decode {:?} all {:?}",td,t.elapsed()));
     (v,r,m,log)}};
   if let (Some(c),true)=(&m.calibration,verdict<=Verdict::Caution) { cals.push((f.clone(),c.clone())); }
   let mut s=format!("{b}/{f} {verdict:?} {:?}",reasons.iter().map(|r|format!("{}:{:?}:{}",r.code.as_str(),r.severity,r.measured)).collect::<Vec<_>>());
   if verbose { for l in &log {s+=&format!("\n    {l}");} s+=&format!("\n    {:?}",m.metrics); if let Some(c)=&m.calibration { for l in &c.lines { s+=&format!("\n      {:+} {} res {:+.3} sig {:.3} loo {:+.3?}",l.order,l.name,l.residual_nm,l.sigma_nm,l.left_out_nm);} } }
   println!("{s}");
   let mm=&m.metrics; let mut j=serde_json::Map::new(); let mut put=|k:&str,v:Option<f64>|{if let Some(v)=v{j.insert(k.into(),v.into());}};
   put("clipped_fraction",mm.clipped_fraction);put("peak_level",mm.peak_level);put("snr",mm.snr);put("tilt_deg",mm.tilt_deg.map(|e|e.value));put("skew_deg",mm.skew_deg.map(|e|e.value));put("slit_width_um",mm.slit_width_um.map(|e|e.value));put("slit_width_um_sigma",mm.slit_width_um.map(|e|e.sigma));put("blur_px",mm.blur_px.map(|e|e.value));put("bandpass_nm",mm.bandpass_nm);put("background_level",mm.background_level);put("nm_per_px",mm.nm_per_px);put("wavelength_sigma_nm",mm.wavelength_sigma_nm);
   for (k,v) in &mm.more {put(k,Some(*v));}
   let q=serde_json::json!({"photo":format!("{b}/{f}"),"bench":b,"capture":cap,"rule":"x","verdict":verdict,"reasons":reasons,"metrics":j});
   std::fs::write(format!("{dir}/quality.json"),serde_json::to_string_pretty(&q).unwrap()).unwrap();
   let _=std::fs::remove_file(format!("{dir}/spectrum.csv"));
   if let Some(sp)=&m.spectrum { let mut w=std::fs::File::create(format!("{dir}/spectrum.csv")).unwrap(); let mut t=String::from("wavelength_nm,signal,signal_sigma,red,green,blue,clipped\r\n"); for r in &sp.rows { t+=&format!("{:.3},{:.7},{:.7},{:.7},{:.7},{:.7},{:.3}\r\n",r.wavelength_nm,r.signal,r.signal_sigma,r.rgb[0],r.rgb[1],r.rgb[2],r.clipped);} w.write_all(t.as_bytes()).unwrap();
    let mut t=String::from("centre_nm,centre_sigma_nm,fwhm_nm,height\r\n"); for p in &m.peaks { t+=&format!("{:.3},{:.3},{:.3},{:.6}\r\n",p.centre_nm.value,p.centre_nm.sigma,p.fwhm_nm.value,p.height.value);} std::fs::write(format!("{dir}/peaks.csv"),t).unwrap(); }
  } });
}
