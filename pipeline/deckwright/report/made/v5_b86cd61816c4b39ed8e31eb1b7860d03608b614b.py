from jinja2.runtime import LoopContext, Macro, Markup, Namespace, TemplateNotFound, TemplateReference, TemplateRuntimeError, Undefined, escape, identity, internalcode, markup_join, missing, str_join
name = 'returned.html'

def root(context, missing=missing, environment=environment):
    resolve = context.resolve_or_missing
    undefined = environment.undefined
    concat = environment.concat
    cond_expr_undefined = Undefined
    if 0: yield None
    parent_template = None
    l_0_pieces = missing
    pass
    parent_template = environment.get_template('page.html', 'returned.html')
    for name, parent_block in parent_template.blocks.items():
        context.blocks.setdefault(name, []).append(parent_block)
    l_0_pieces = context.vars['pieces'] = environment.get_template('pieces.html', 'returned.html').make_module(context.get_all(), True, {'pieces': l_0_pieces})
    context.exported_vars.discard('pieces')
    yield from parent_template.root_render_func(context)

def block_lead(context, missing=missing, environment=environment):
    resolve = context.resolve_or_missing
    undefined = environment.undefined
    concat = environment.concat
    cond_expr_undefined = Undefined
    if 0: yield None
    _block_vars = {}
    l_0_says = resolve('says')
    l_0_home = resolve('home')
    try:
        t_1 = environment.filters['link']
    except KeyError:
        @internalcode
        def t_1(*unused):
            raise TemplateRuntimeError("No filter named 'link' found.")
    pass
    yield '<p class="soft">'
    yield escape(environment.finalize((undefined(name='says') if l_0_says is missing else l_0_says)))
    yield ' '
    if (undefined(name='home') if l_0_home is missing else l_0_home):
        pass
        yield '<a href="'
        yield escape(environment.finalize(t_1((undefined(name='home') if l_0_home is missing else l_0_home))))
        yield '">Back to the control sheet</a>'
    yield '</p>'

def block_main(context, missing=missing, environment=environment):
    resolve = context.resolve_or_missing
    undefined = environment.undefined
    concat = environment.concat
    cond_expr_undefined = Undefined
    if 0: yield None
    _block_vars = {}
    l_0_reading = resolve('reading')
    l_0_hatch = resolve('hatch')
    l_0_groups = resolve('groups')
    try:
        t_2 = environment.filters['length']
    except KeyError:
        @internalcode
        def t_2(*unused):
            raise TemplateRuntimeError("No filter named 'length' found.")
    try:
        t_1 = environment.filters['link']
    except KeyError:
        @internalcode
        def t_1(*unused):
            raise TemplateRuntimeError("No filter named 'link' found.")
    try:
        t_3 = environment.filters['plural']
    except KeyError:
        @internalcode
        def t_3(*unused):
            raise TemplateRuntimeError("No filter named 'plural' found.")
    pass
    if (undefined(name='reading') if l_0_reading is missing else l_0_reading):
        pass
        yield '<p>The pictures of these cards lie in the folder <span class="code">returned</span>, packed as one file. Beside each picture that is in doubt lies its form, <span class="code">NAME.look.csv</span>: fill it in, and run the unpacked folder with the same job. How each picture was read: <a href="'
        yield escape(environment.finalize(t_1((undefined(name='reading') if l_0_reading is missing else l_0_reading))))
        yield '">reading report</a>.</p>'
    yield escape(environment.finalize((undefined(name='hatch') if l_0_hatch is missing else l_0_hatch)))
    yield '\n'
    if (t_2((undefined(name='groups') if l_0_groups is missing else l_0_groups)) > 1):
        pass
        yield '<nav aria-label="Reasons"><h2>Reasons</h2>\n<ul class="jump">\n'
        for l_1_group in (undefined(name='groups') if l_0_groups is missing else l_0_groups):
            _loop_vars = {}
            pass
            yield '<li><a href="#'
            yield escape(environment.finalize(environment.getattr(l_1_group, 'ident')))
            yield '">'
            yield escape(environment.finalize(environment.getattr(l_1_group, 'title')))
            yield '</a> <span class="soft">'
            yield escape(environment.finalize(t_3(environment.getattr(l_1_group, 'count'), 'card')))
            yield '</span></li>\n'
        l_1_group = missing
        yield '</ul></nav>\n'
    for l_1_group in (undefined(name='groups') if l_0_groups is missing else l_0_groups):
        _loop_vars = {}
        pass
        yield '<section id="'
        yield escape(environment.finalize(environment.getattr(l_1_group, 'ident')))
        yield '"><h2>'
        yield escape(environment.finalize(environment.getattr(l_1_group, 'title')))
        yield ': '
        yield escape(environment.finalize(t_3(environment.getattr(l_1_group, 'count'), 'card')))
        yield '</h2>\n<p class="soft">Stage '
        yield escape(environment.finalize(environment.getattr(l_1_group, 'stage')))
        if environment.getattr(l_1_group, 'code'):
            pass
            yield ', <small class="code">'
            yield escape(environment.finalize(environment.getattr(l_1_group, 'code')))
            yield '</small>'
        yield '</p>\n<div class="cards">\n'
        for l_2_card in environment.getattr(l_1_group, 'cards'):
            l_2_pieces = resolve('pieces')
            _loop_vars = {}
            pass
            yield '<figure'
            if environment.getattr(l_2_card, 'rows'):
                pass
                yield ' class="long"'
            yield '>\n<figcaption>'
            yield escape(environment.finalize(environment.getattr(l_2_card, 'name')))
            if environment.getattr(l_2_card, 'number'):
                pass
                yield ' <small>'
                yield escape(environment.finalize(environment.getattr(l_2_card, 'number')))
                yield '</small>'
            yield '</figcaption>\n'
            if environment.getattr(l_2_card, 'picture'):
                pass
                yield '<img alt="'
                yield escape(environment.finalize(environment.getattr(l_2_card, 'name')))
                yield ', as it was photographed" src="'
                yield escape(environment.finalize(environment.getattr(l_2_card, 'picture')))
                yield '">'
            yield escape(environment.finalize(environment.getattr(l_2_card, 'small')))
            yield '\n'
            if environment.getattr(l_2_card, 'line'):
                pass
                yield '<p class="line"><code>'
                for (l_3_part, l_3_marked) in environment.getitem(environment.getattr(l_2_card, 'line'), 0):
                    _loop_vars = {}
                    pass
                    if l_3_marked:
                        pass
                        yield '<u>'
                        yield escape(environment.finalize(l_3_part))
                        yield '</u>'
                    else:
                        pass
                        yield escape(environment.finalize(l_3_part))
                l_3_part = l_3_marked = missing
                yield '</code>'
                if environment.getitem(environment.getattr(l_2_card, 'line'), 1):
                    pass
                    yield '<code>'
                    for (l_3_part, l_3_marked) in environment.getitem(environment.getattr(l_2_card, 'line'), 1):
                        _loop_vars = {}
                        pass
                        if l_3_marked:
                            pass
                            yield '<u>'
                            yield escape(environment.finalize(l_3_part))
                            yield '</u>'
                        else:
                            pass
                            yield escape(environment.finalize(l_3_part))
                    l_3_part = l_3_marked = missing
                    yield '</code>'
                yield '</p>'
            if environment.getattr(l_2_card, 'rows'):
                pass
                def macro():
                    t_4 = []
                    pass
                    t_4.append(
                        '<pre>',
                    )
                    for l_4_row in environment.getattr(l_2_card, 'rows'):
                        _loop_vars = {}
                        pass
                        t_4.extend((
                            '<i>',
                            escape(environment.finalize(environment.getattr(l_4_row, 'ruler'))),
                            '</i>\n       ',
                            escape(environment.finalize(environment.getattr(l_4_row, 'text'))),
                            '\n',
                        ))
                        if environment.getattr(l_4_row, 'under'):
                            pass
                            t_4.extend((
                                '       ',
                                escape(environment.finalize(environment.getattr(l_4_row, 'under'))),
                                '\n',
                            ))
                    l_4_row = missing
                    t_4.append(
                        '</pre>',
                    )
                    return concat(t_4)
                caller = Macro(environment, macro, None, (), False, False, False, context.eval_ctx.autoescape)
                yield context.call(environment.getattr((undefined(name='pieces') if l_2_pieces is missing else l_2_pieces), 'wide'), markup_join((environment.getattr(l_2_card, 'name'), ', as text', )), caller=caller, _loop_vars=_loop_vars)
                if environment.getattr(l_2_card, 'left_out'):
                    pass
                    yield '<p class="soft">'
                    yield escape(environment.finalize(t_3(environment.getattr(l_2_card, 'left_out'), 'further row')))
                    yield ' of this record not shown.</p>'
            if environment.getattr(l_2_card, 'reasons'):
                pass
                yield '<ul>'
                for l_3_line in environment.getattr(l_2_card, 'reasons'):
                    _loop_vars = {}
                    pass
                    yield '<li>'
                    yield escape(environment.finalize(l_3_line))
                    yield '</li>'
                l_3_line = missing
                yield '</ul>'
            if environment.getattr(l_2_card, 'more'):
                pass
                yield '<p class="soft">and '
                yield escape(environment.finalize(t_3(environment.getattr(l_2_card, 'more'), 'more reason')))
                yield '</p>'
            yield '</figure>\n'
        l_2_card = l_2_pieces = missing
        yield '</div>\n'
        if environment.getattr(l_1_group, 'left'):
            pass
            yield '<p>'
            yield escape(environment.finalize(environment.getattr(l_1_group, 'left')))
            yield '</p>\n<details><summary>Numbers of all these cards</summary><p class="numbers">'
            yield escape(environment.finalize(environment.getattr(l_1_group, 'numbers')))
            yield '</p></details>\n'
        yield '</section>\n'
    l_1_group = missing

blocks = {'lead': block_lead, 'main': block_main}
debug_info = '1=13&2=16&4=20&6=46&7=75&8=80&9=82&12=85&16=97&17=101&18=107&20=114&21=119&22=123&23=130&24=137&25=139&26=172&27=187&28=190&26=203&30=204&31=209&32=220&36=228&37=231&38=233'
